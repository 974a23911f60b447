# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The level under each segment is that of the ground it stands on."""

from berm_ledger.ros.datum_levels import datum_levels_m
from berm_ledger.site_source import load_site
from berm_ledger.survey.site_survey import SiteSurvey
from ledger_kit import SITE_TEXT
import pytest


def survey_of(folder, datum):
    path = folder / 'site.yaml'
    path.write_text(SITE_TEXT.replace('datum: {plane: [0.0, 0.0, 0.0]}', datum))
    return SiteSurvey(load_site(path).site)


def test_a_plane_is_met_to_the_slope_of_half_a_cell(tmp_path):
    survey = survey_of(tmp_path, 'datum: {plane: [0.1, -0.2, 1.0]}')

    # Middles at (2.25, 2) and (2.75, 2); cells of 15 mm.
    assert datum_levels_m(survey) == pytest.approx(
        [0.225 - 0.4 + 1.0, 0.275 - 0.4 + 1.0], abs=0.0075 * 0.3)


def test_before_the_survey_there_is_none(tmp_path):
    assert datum_levels_m(survey_of(tmp_path, 'datum: survey')) is None
