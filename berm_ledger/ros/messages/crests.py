# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
The standing crest section by section as a point cloud, both ways.

One point per cross-section of every berm: x, y, z is the crest itself, ``berm`` counts from 0 in
the order of the site file; station, offset, height above the datum and target height in metres.
What was not seen is NaN.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .common import fill_header, MessageTypes, quoted
from .point_clouds import cloud_columns, fill_cloud, NUMBERS
from ...books.profile import CrestProfile
from ...design import Site
from ...errors import MessageError
from ...wording import counted

FIELDS = ('x', 'y', 'z', 'berm', 'station', 'offset', 'height', 'target_height')
FLOAT_FIELDS = ('station', 'offset', 'height', 'target_height')


def fill_crest_cloud(
    msg: Any, site: Site, profiles: Sequence[CrestProfile],
    crest_lines: Sequence[NDArray[np.float64]], stamp_ns: int, types: MessageTypes,
) -> None:
    """
    Write crest profiles into a point cloud.

    Parameters
    ----------
    msg : sensor_msgs/PointCloud2
        Filled in place.
    site : Site
        The site; its frame is the message's.
    profiles : sequence of CrestProfile
        One per berm, in the order of the site.
    crest_lines : sequence of array
        Points x, y, level of the same sections, each of shape (sections, 3) [m].
    stamp_ns : int
        Stamp [ns].
    types : MessageTypes
        Maker of ``PointField``.

    """
    fill_header(msg.header, stamp_ns, site.frame)
    points = np.concatenate(list(crest_lines))
    columns = {name: points[:, k].astype('f4') for k, name in enumerate('xyz')}
    columns['berm'] = np.concatenate(
        [np.full(len(p.station_m), p.berm_index, dtype='u4') for p in profiles])
    for name, attribute in zip(FLOAT_FIELDS, ('station_m', 'offset_m', 'height_m', 'target_m')):
        columns[name] = np.concatenate(
            [getattr(profile, attribute) for profile in profiles]).astype('f4')
    fill_cloud(msg, {name: columns[name].reshape(1, -1) for name in FIELDS}, types,
               is_dense=all(bool(np.isfinite(values).all()) for values in columns.values()))


def profiles_from_crest_cloud(msg: Any, site: Site) -> tuple[CrestProfile, ...]:
    """
    Return the crest profiles that a cloud holds.

    Parameters
    ----------
    msg : sensor_msgs/PointCloud2
        As written by ``fill_crest_cloud``.
    site : Site
        The site it must be of.

    Returns
    -------
    tuple of CrestProfile
        One per berm, in the order of the site.

    Raises
    ------
    MessageError
        Not such a cloud, of another frame, of unknown berms, or stations that do not ascend.

    """
    if str(msg.header.frame_id) != site.frame:
        text = (f'the crest is in frame {quoted(msg.header.frame_id)}; the site file says '
                f'{quoted(site.frame)}')
        raise MessageError(text)
    figures = cloud_columns(msg, FLOAT_FIELDS, (NUMBERS['f4'],))
    # A signalling NaN is a NaN like any other, not to be warned of.
    with np.errstate(invalid='ignore'):
        station, offset, height, target = (values[0].astype(float) for values in figures)
    berm = cloud_columns(msg, ('berm',), (NUMBERS['u4'],))[0][0]
    if berm.max(initial=0) >= len(site.berms):
        text = (f'the crest is of berm {berm.max()}; the site file has '
                f'{counted(len(site.berms), "berm")}')
        raise MessageError(text)
    out = []
    for index in range(len(site.berms)):
        own = berm == index
        if not np.all(np.diff(station[own]) > 0.0):
            text = f'the stations of the crest of berm {index} do not ascend'
            raise MessageError(text)
        out.append(CrestProfile(index, station[own], height[own], offset[own], target[own]))
    return tuple(out)
