# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
Named fields of a sensor_msgs/PointCloud2, both ways.

Every size in the header is checked against the data that is really there before any memory is
taken, so that a message can never make the reader allocate more than a few times its own length.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .common import array_from, listed, MessageTypes, put_array
from ...errors import MessageError

# sensor_msgs/PointField: datatype numbers.
DATATYPES = {
    1: 'i1', 2: 'u1', 3: 'i2', 4: 'u2', 5: 'i4', 6: 'u4', 7: 'f4', 8: 'f8',
}
NUMBERS = {kind: number for number, kind in DATATYPES.items()}
FLOATS = (7, 8)


def _layout(msg: Any) -> tuple[int, int, int, int, NDArray[np.uint8]]:
    """Return height, width, point step, row step and data after checking them together."""
    height, width = int(msg.height), int(msg.width)
    point_step, row_step = int(msg.point_step), int(msg.row_step)
    data = array_from(msg.data, np.uint8)
    if min(height, width) < 1 or point_step < 1:
        msg_text = (f'point cloud is empty: height {height}, width {width}, '
                    f'point_step {point_step}')
        raise MessageError(msg_text)
    if row_step < width * point_step or row_step * height != len(data):
        msg_text = (
            f'point cloud sizes do not match its data: height {height} x row_step {row_step} '
            f'must be the {len(data)} bytes of data, and row_step at least width {width} x '
            f'point_step {point_step}')
        raise MessageError(msg_text)
    return height, width, point_step, row_step, data


def cloud_columns(
    msg: Any, names: tuple[str, ...], datatypes: tuple[int, ...] = FLOATS
) -> list[NDArray[Any]]:
    """
    Return named fields of a cloud as views into its data.

    Parameters
    ----------
    msg : sensor_msgs/PointCloud2
        The message, any offsets, padding and byte order.
    names : tuple of str
        Fields wanted.
    datatypes : tuple of int
        Datatype numbers accepted for them.

    Returns
    -------
    list of array
        One view of shape (height, width) per name; may be strided and of foreign byte order.

    Raises
    ------
    MessageError
        Sizes that do not match the data, a field that is missing, of another datatype, or beyond
        the point.

    """
    height, width, point_step, row_step, data = _layout(msg)
    order = '>' if msg.is_bigendian else '<'
    fields = {str(field.name): field for field in reversed(list(msg.fields))}
    columns = []
    for name in names:
        if name not in fields:
            msg_text = f'point cloud has no field {name}; its fields are: {listed(sorted(fields))}'
            raise MessageError(msg_text)
        number, offset = int(fields[name].datatype), int(fields[name].offset)
        if number not in datatypes or int(fields[name].count) not in (0, 1):
            wanted = ' or '.join(DATATYPES[d] for d in datatypes)
            msg_text = (f'point cloud field {name} has datatype {number}, count '
                        f'{fields[name].count}; a single {wanted} is needed')
            raise MessageError(msg_text)
        dtype = np.dtype(order + DATATYPES[number])
        if offset < 0 or offset + dtype.itemsize > point_step:
            msg_text = (f'point cloud field {name} at offset {offset} reaches beyond '
                        f'point_step {point_step}')
            raise MessageError(msg_text)
        columns.append(np.ndarray(
            (height, width), dtype, data, offset, (row_step, point_step)))
    return columns


def fill_cloud(
    msg: Any, columns: dict[str, NDArray[Any]], types: MessageTypes, *, is_dense: bool
) -> None:
    """
    Write columns into a PointCloud2, packed, little-endian.

    Parameters
    ----------
    msg : sensor_msgs/PointCloud2
        Filled in place, header excepted.
    columns : dict
        Field name -> array (height, width); its dtype becomes the datatype.
    types : MessageTypes
        Maker of ``PointField``.
    is_dense : bool
        Whether every value is finite.

    """
    record = np.dtype([
        (name, values.dtype.newbyteorder('<')) for name, values in columns.items()])
    height, width = next(iter(columns.values())).shape
    packed = np.empty((height, width), record)
    for name, values in columns.items():
        packed[name] = values
    fields = []
    for name in columns:
        field = types.PointField()
        part, offset = record.fields[name][:2]  # type: ignore[index]
        field.name, field.offset, field.count = name, int(offset), 1
        field.datatype = NUMBERS[part.str[1:]]
        fields.append(field)
    msg.fields = fields
    msg.height, msg.width = height, width
    msg.point_step, msg.row_step = record.itemsize, record.itemsize * width
    msg.is_bigendian, msg.is_dense = False, is_dense
    put_array(msg, 'data', packed.reshape(-1).view(np.uint8))
