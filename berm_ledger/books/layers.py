# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""The state of survey and watch as named layers, to be kept beside the entries, and back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .disturbance import DisturbanceWatch
from .profile import CrestProfile
from ..design import Site
from ..geometry import Lattice
from ..survey.area import rough_ground_m, ROUGH_HEIGHT_M
from ..survey.attitude import AttitudeOfGrids
from ..survey.crest import Crest
from ..survey.datum import Datum, Source
from ..survey.far_noise import RINGS
from ..survey.map_memory import FIGURES
from ..survey.noise import GridNoise
from ..survey.noise_range import LAGS_M
from ..survey.registration import Shift
from ..survey.site_survey import SiteSurvey
from ..survey.snapshot import NamedSurface

HEIGHT, LOOKS, SEEN = 'height_m', 'looks', 'seen_ns'
DATUM, DATUM_SOURCE, DATUM_LOOKS = 'datum_m', 'datum_source', 'datum_looks'
ACCEPTED, ACCEPTED_LOOKS, SAME = 'accepted_m', 'accepted_looks', 'same_ns'
FILL = 'fill_m'
DESIGN = 'design_m'
CREST, CREST_OFFSET, CREST_TARGET = 'crest:', 'crest_offset:', 'crest_target:'
CREST_SPREAD, CREST_ERROR = 'crest_spread:', 'crest_error_m:'
# One row: noise of a look [m] and the share of it that neighbours have in common, shift of the map
# along x, y and z [m], error of the level of the site frame [m], and the cell of the grids [m],
# which older layers do not tell.
LEARNED, LEARNED_FIGURES = 'learned', (6, 7, 12)
# Variance that two looks from one place share [m2], and of how many pairs that is.
STAYING, STAYING_FIGURES = 'staying', 2
# How many looks there were, and have told how far errors are shared; their mean square and mean
# products [m2].
NOISE_RANGE, NOISE_RANGE_FIGURES = 'noise_range', 3 + len(LAGS_M)
# How far the ground sinks under the wheels [m], whether it counts as sinking, and whether it ever
# did, which older layers do not tell.
TRODDEN, TRODDEN_FIGURES = 'trodden', (2, 3)
# How far the ground beside the berm has sunk, and what stood on it: only where wheels sink in.
SUNK, STOOD = 'sunk_m', 'stood_m'
# How far grids are tilted and turned: variance and excess of either, as ``Habit`` has them.
ATTITUDES, ATTITUDE_FIGURES = 'attitudes', 4
# How much of a height a mapper keeps from grid to grid, as ``MapMemory`` has it.
MEMORY, MEMORY_FIGURES = 'map_memory', FIGURES
# Noise in rings about the robot [m], NaN where it is not known.
FAR_NOISE = 'far_noise'
# Level of the natural ground that the surveyed cells were laid out for, one figure [m].
GROUND = 'ground_m'
# Least height of a level crest above the median of the first grid that tells its width [m].
LEAST_ROOM_M = 0.05


def layers_of(
    survey: SiteSurvey, watch: DisturbanceWatch, stamp_ns: int
) -> tuple[NamedSurface, ...]:
    """
    Return everything that a restart and a report need beside the entries.

    Parameters
    ----------
    survey : SiteSurvey
        The survey.
    watch : DisturbanceWatch
        The watch over changes.
    stamp_ns : int
        Time of the layers [ns].

    Returns
    -------
    tuple of NamedSurface
        Layers on the site lattice; the crest of each berm as one row, section by section.

    """
    surface, area, accepted = survey.surface, survey.area, watch.accepted
    cells: dict[str, NDArray[Any]] = {
        HEIGHT: surface.height_m, LOOKS: surface.looks, SEEN: surface.seen_ns,
        ACCEPTED: accepted.height_m, ACCEPTED_LOOKS: accepted.looks, SAME: accepted.same.at(),
        FILL: accepted.fill_m,
    }
    if survey.datum is not None:
        cells |= {DATUM: survey.datum.level_m, DATUM_SOURCE: survey.datum.source,
                  DATUM_LOOKS: survey.datum.looks,
                  DESIGN: survey.design_m().astype(np.float32)}
    if survey.sunk.depth_m.any():
        cells |= {SUNK: survey.sunk.depth_m, STOOD: survey.sunk.stood_m}
    out = [
        NamedSurface(name, stamp_ns, area.lattice, area.on_lattice(values, _blank(values)))
        for name, values in cells.items()]
    out += [
        NamedSurface(name, seen_ns or stamp_ns, area.lattice,
                     area.on_lattice(values, _blank(values)))
        for name, (seen_ns, values) in watch.evidence().items()]
    rows: dict[str, Sequence[float]] = {
        LEARNED: _learned(survey),
        ATTITUDES: survey.registration.attitudes.figures(),
        FAR_NOISE: survey.by_distance.noise_m.tolist(),
        STAYING: survey.staying.figures(),
        NOISE_RANGE: survey.noise_range.figures(),
        TRODDEN: survey.trodden.figures(),
        MEMORY: survey.memory.figures(),
    }
    if surface.known.any():
        # Before the first grid it is a guess.
        rows[GROUND] = [survey.ground_m]
    out += _crests(survey, stamp_ns)
    out += [_row_of(name, figures, stamp_ns) for name, figures in rows.items()]
    return tuple(out)


def _learned(survey: SiteSurvey) -> list[float]:
    """Return the figures of ``LEARNED``: what the grids so far have taught of themselves."""
    noise, registration = survey.noise, survey.registration
    return [
        noise.total_m, noise.shared, *registration.mean.tolist(), registration.opening.error_m,
        noise.cell_m, survey.places.looks,
        *(part for toward in survey.places.toward for part in (toward.real, toward.imag))]


def _row_of(name: str, figures: Sequence[float], stamp_ns: int) -> NamedSurface:
    """Return single figures as a layer of one row."""
    values = np.array([figures])
    return NamedSurface(name, stamp_ns, Lattice(0.0, 0.0, 1.0, *values.shape), values)


def _blank(values: NDArray[Any]) -> float | int:
    """Return what cells outside the survey hold: NaN, or zero where there is none."""
    return np.nan if np.issubdtype(values.dtype, np.floating) else 0


def _crests(survey: SiteSurvey, stamp_ns: int) -> list[NamedSurface]:
    """Return the crest lines; station grows with the column, in steps of the section."""
    out: list[NamedSurface] = []
    for index, berm in enumerate(survey.site.berms):
        sections = survey.sections[index]
        lattice = Lattice(float(sections.station_m[0]), 0.0, float(sections.length_m[0]), 1,
                          len(sections.station_m))
        crest, target = survey.crest(index), survey.targets_m(index)
        values = {CREST: crest.height_m, CREST_OFFSET: crest.offset_m,
                  CREST_SPREAD: crest.spread, CREST_TARGET: target,
                  CREST_ERROR: survey.crest_error_m(index)}
        out.extend(
            NamedSurface(name + berm.name, stamp_ns, lattice, row[None, :].astype(np.float32))
            for name, row in values.items())
    return out


def as_kept(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return values as they come back from a kept layer, so that live and later agree."""
    return values.astype(np.float32).astype(np.float64)


def profiles_from(site: Site, layers: Iterable[NamedSurface]) -> tuple[CrestProfile, ...]:
    """Return the standing crests that kept layers hold, of the berms that have one."""
    kept = {layer.name: layer for layer in layers}
    out = []
    for index, berm in enumerate(site.berms):
        found = [kept.get(name + berm.name) for name in (CREST, CREST_OFFSET, CREST_TARGET)]
        if all(layer is not None for layer in found):
            height, offset, target = (
                layer.values.ravel().astype(float) for layer in found if layer is not None)
            lattice = kept[CREST + berm.name].lattice
            station = lattice.x0_m + lattice.cell_m * np.arange(lattice.cols, dtype=np.float64)
            out.append(CrestProfile(index, station, height, offset, target))
    return tuple(out)


def ground_level_m(layers: Iterable[NamedSurface]) -> float | None:
    """
    Return the level of the ground that kept layers were laid out for [m], None without any.

    Older layers do not tell it; the lowest level of their datum may be near enough.
    """
    kept = {layer.name: layer for layer in layers}
    for name in (GROUND, DATUM):
        if name in kept:
            return float(np.nanmin(kept[name].values.astype(float)))
    return None


def first_ground_m(site: Site, height_m: NDArray[np.floating[Any]]) -> float:
    """
    Return the level of the ground to lay a survey out for, as a first grid shows it [m].

    It is the median of the grid. Where that leaves no room below a level crest, as where the berm
    lies lower than the ground around or its level is wrong, the ground is taken to lie deeper: a
    berm without any width cannot be surveyed.
    """
    median_m, deep_m = float(np.nanmedian(height_m)), rough_ground_m(site)
    return deep_m if median_m > deep_m + ROUGH_HEIGHT_M - LEAST_ROOM_M else median_m


def restore(
    survey: SiteSurvey, watch: DisturbanceWatch, layers: Iterable[NamedSurface]
) -> None:
    """
    Put kept layers back; layers of another lattice are left alone.

    Parameters
    ----------
    survey : SiteSurvey
        The survey, fresh.
    watch : DisturbanceWatch
        The watch, fresh.
    layers : iterable of NamedSurface
        What ``layers_of`` gave.

    """
    flat = survey.area.corridor.flat_index
    kept: dict[str, NDArray[Any]] = {
        layer.name: layer.values.ravel()[flat].copy() for layer in layers
        if layer.lattice == survey.area.lattice}
    stamps = {layer.name: layer.stamp_ns for layer in layers}
    surface, accepted = survey.surface, watch.accepted
    if HEIGHT in kept:
        surface.height_m, surface.looks = kept[HEIGHT], kept[LOOKS]
        surface.looks[~np.isfinite(surface.height_m)] = 0.0
        surface.put_back_seen(kept[SEEN])
        accepted.height_m, accepted.looks = kept[ACCEPTED], kept[ACCEPTED_LOOKS]
        accepted.same.put_back(kept[SAME])
        accepted.fill_m = np.nan_to_num(kept.get(FILL, accepted.fill_m))
        watch.put_back({name: (stamps[name], values) for name, values in kept.items()})
    if DATUM in kept and not (kept[DATUM_SOURCE] == Source.PLANE).all():
        survey.set_datum(Datum(
            stamps[DATUM], kept[DATUM], kept[DATUM_SOURCE], kept[DATUM_LOOKS]))
    if SUNK in kept:
        survey.sunk.put_back(kept[SUNK], kept[STOOD])
    # Another cell of the grids would make crests stale.
    _restore_learned(survey, layers)
    _restore_crests(survey, layers)


def _restore_learned(survey: SiteSurvey, layers: Iterable[NamedSurface]) -> None:
    """Go on from noise, place of the map and attitudes that were found before."""
    kept = {layer.name: layer for layer in layers}
    learned = _figures(kept.get(LEARNED), LEARNED_FIGURES)
    if learned:
        total_m, shared, dx_m, dy_m, dz_m, level_error_m, *later = learned
        survey.noise = GridNoise(total_m, shared)
        if later and later[0] > 0.0:
            survey.use_cell(later[0])
        if len(later) > 1:
            _, looks, *toward = later
            survey.places.resume(looks, (complex(*toward[:2]), complex(*toward[2:])))
        survey.expect(Shift(dx_m, dy_m, dz_m), kept[LEARNED].stamp_ns, level_error_m)
    if attitudes := _figures(kept.get(ATTITUDES), (ATTITUDE_FIGURES,)):
        survey.registration.attitudes = AttitudeOfGrids.of_figures(attitudes)
    if rings := _figures(kept.get(FAR_NOISE), (RINGS,)):
        survey.by_distance.resume(np.array(rings), survey.noise.total_m)
    if staying := _figures(kept.get(STAYING), (STAYING_FIGURES,)):
        survey.staying.resume(*staying)
    if alike := _figures(kept.get(NOISE_RANGE), (NOISE_RANGE_FIGURES,)):
        survey.noise_range.resume(*alike)
        survey.noise = survey.noise_range.of(survey.noise)
    if trodden := _figures(kept.get(TRODDEN), TRODDEN_FIGURES):
        survey.trodden.resume(*trodden)
    if memory := _figures(kept.get(MEMORY), (MEMORY_FIGURES,)):
        survey.memory.resume(memory)
        survey.noise = survey.memory.of(survey.noise)


def _figures(layer: NamedSurface | None, counts: tuple[int, ...]) -> list[float]:
    """Return the figures of a layer of one row, none where there are not so many."""
    if layer is None or layer.values.size not in counts:
        return []
    return [float(value) for value in layer.values.ravel().tolist()]


def _restore_crests(survey: SiteSurvey, layers: Iterable[NamedSurface]) -> None:
    """Put kept crests back, so that they are the same before the next look as they were."""
    kept = {layer.name: layer.values.ravel().astype(np.float64) for layer in layers}
    for index, berm in enumerate(survey.site.berms):
        found = [kept.get(name + berm.name) for name in (CREST, CREST_OFFSET, CREST_SPREAD)]
        count = len(survey.sections[index].station_m)
        if all(values is not None and len(values) == count for values in found):
            survey.put_back_crest(index, Crest(*(v for v in found if v is not None)))
