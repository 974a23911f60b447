# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""What may be chosen about a simulated yard and a simulated build."""

from __future__ import annotations

from dataclasses import dataclass
import math

from .ground import Relief
from .noise import FIELD, Noise
from .sensor import SensorOptions
from ..errors import UsageError

SENSOR = SensorOptions()
RELIEF = Relief()
INTRUSIONS = ('remove', 'fill', 'slump')
ORDERS = ('lowest', 'along')


@dataclass(frozen=True)
class Intrusion:
    """
    Something done to the soil that no dump explains.

    Parameters
    ----------
    kind : str
        ``remove`` (soil taken away), ``fill`` (soil added) or ``slump`` (soil slid, volume kept).
    volume_m3 : float
        How much [m3].
    station_m, offset_m : float
        Where on the berm [m].
    length_m, width_m : float
        Along and across the line, the size of the place it is taken from or thrown on [m]; a
        slump starts from a point.
    berm : int
        Index of the berm in the site.
    after_load : int or None
        After how many loads of the whole build; None, or more loads than there are, is when
        the berms stand to height.
    watched : bool
        Whether it happens while the rover looks on; otherwise it is away at the borrow area.
    mended : bool
        Whether the build goes on afterwards and so mends what was spoiled.

    """

    kind: str = 'remove'
    volume_m3: float = 0.002
    station_m: float = 0.0
    offset_m: float = 0.0
    length_m: float = 0.0
    width_m: float = 0.0
    berm: int = 0
    after_load: int | None = None
    watched: bool = False
    mended: bool = True

    def __post_init__(self) -> None:
        """Refuse a kind that is none and a volume that is none."""
        if self.kind not in INTRUSIONS:
            msg = f'intrusion {self.kind!r} is none of {INTRUSIONS}'
            raise UsageError(msg)
        if not self.volume_m3 > 0.0 or not math.isfinite(self.volume_m3):
            msg = f'an intrusion of {self.volume_m3} m3 is none'
            raise UsageError(msg)


@dataclass(frozen=True)
class BorrowOptions:
    """
    How the rover digs, and what it tells of its drum.

    Parameters
    ----------
    looks : int
        Grids taken after every pass, from where it began.
    survey_looks : int
        Grids of the bare borrow area from each of its stops, before the first load.
    one_lane : bool
        Whether it digs in the first lane again and again, whatever comes of it; otherwise the
        lane that was dug least is next.
    area : int
        Index of the first area used; the others follow in turn.
    empty_a, a_per_kg : float or None
        Drum current of an empty drum [A] and for every kilogram in it [A/kg]; None is that of the
        site file, or 0 A and 3.5 A for 8 kg of sand where that has none (common practice, no
        source).
    noise_a : float
        Standard deviation of one reading of it [A].
    partial_loads : tuple of int
        Numbers of the loads (from 1) for which the drum is not filled.
    partial_fill : float
        Share of the drum that is filled then.

    """

    looks: int = 3
    survey_looks: int = 10
    one_lane: bool = False
    area: int = 0
    empty_a: float | None = None
    a_per_kg: float | None = None
    noise_a: float = 0.2
    partial_loads: tuple[int, ...] = ()
    partial_fill: float = 0.5


@dataclass(frozen=True)
class YardOptions:
    """
    The yard, its rover and its sensor.

    Parameters
    ----------
    noise : Noise
        Errors of sensor and localisation.
    sensor : SensorOptions
        Shape of the elevation grid.
    relief : Relief
        Natural ground; a site with a given datum plane has that plane and no relief.
    soil_cell_m : float
        Cell of the simulated surface [m].
    margin_m : float
        Ground known beyond the boundary [m].
    start_ns : int
        Stamp of the beginning [ns].
    speed_m_s, turn_rad_s : float
        Driving and turning speed.
    pose_rate_hz : float
        Rate of poses while the rover moves; while it stands it is 1 Hz, or that of the grids where
        these come more often.
    grid_period_s : float
        Time between grids where the rover looks [s].
    look_within_m : float
        It looks while it is this close to a berm's foot, or to a borrow area that is followed [m].
    dump_s, dig_s : float
        Time that dumping and digging take [s].
    pour_s : float
        Time over which a load comes down evenly from its announcement on, no longer than
        ``dump_s`` [s]; 0: it has fallen before.
    density_spread, mass_spread, scale_spread : float
        Relative standard deviation of a load's loose density, of its true mass against the
        payload, and of the announced mass against the true one.
    weighed : bool
        Whether the mass is announced; otherwise the announcement is NaN.
    stuck_share : float
        Share of a load that stays in the drum.
    drop_spread_m : float
        Standard deviation of the drop point, each axis [m].
    swell : float or None
        Loose volume for one volume in the ground; None is that of the site file.
    rounding : float
        How much a load's fresh surface is rounded, 0 to 0.2.
    rut_m : float
        How deep the wheels press the soil at most [m].
    borrow : BorrowOptions or None
        Dig in passes along the lanes of the borrow areas, look at them, and tell the drum current
        while a load is carried; None digs wherever least was dug and tells nothing of it.

    """

    noise: Noise = FIELD
    sensor: SensorOptions = SENSOR
    relief: Relief = RELIEF
    soil_cell_m: float = 0.01
    margin_m: float = 1.0
    start_ns: int = 1_767_225_600_000_000_000
    speed_m_s: float = 0.3
    turn_rad_s: float = 0.6
    pose_rate_hz: float = 5.0
    grid_period_s: float = 2.0
    look_within_m: float = 1.0
    dump_s: float = 4.0
    pour_s: float = 0.0
    dig_s: float = 12.0
    density_spread: float = 0.03
    mass_spread: float = 0.06
    scale_spread: float = 0.03
    weighed: bool = True
    stuck_share: float = 0.03
    drop_spread_m: float = 0.015
    swell: float | None = None
    rounding: float = 0.06
    rut_m: float = 0.0
    borrow: BorrowOptions | None = None


YARD = YardOptions()


@dataclass(frozen=True)
class BuildOptions:
    """
    One open-loop build.

    Parameters
    ----------
    yard : YardOptions
        The yard, its rover and its sensor.
    order : str
        ``lowest``: every load goes where the deficit is largest; ``along``: one segment after the
        other is brought to height.
    survey : bool
        Whether the bare ground is looked at before the first load.
    final_looks : int
        Grids taken at every stop of the last look round.
    intrusions : tuple of Intrusion
        What an intruder does.
    people_at_loads : tuple of int
        Numbers of the loads (from 1) during which somebody walks over the berm.
    second_robot_from_load : int or None
        From which load on another machine stands near the foot of the first berm.
    stray_loads : tuple of int
        Numbers of the loads that land beside the berm.
    empty_loads : tuple of int
        Numbers of the loads that are announced but empty.
    looks_per_load : int
        Grids taken after backing out from a dump, beside those taken during it.
    look_on_the_way : bool
        Whether grids are also taken on the way between borrow area and run-up.
    most_loads : int or None
        The build ends after so many loads, wherever it stands then.
    unseen_loads : int
        Loads dumped before the recording begins.

    """

    yard: YardOptions = YARD
    order: str = 'lowest'
    survey: bool = True
    final_looks: int = 4
    intrusions: tuple[Intrusion, ...] = ()
    people_at_loads: tuple[int, ...] = ()
    second_robot_from_load: int | None = None
    stray_loads: tuple[int, ...] = ()
    empty_loads: tuple[int, ...] = ()
    looks_per_load: int = 3
    look_on_the_way: bool = False
    most_loads: int | None = None
    unseen_loads: int = 0

    def __post_init__(self) -> None:
        """Refuse an order that is none."""
        if self.order not in ORDERS:
            msg = f'order of work {self.order!r} is none of {ORDERS}'
            raise UsageError(msg)


BUILD = BuildOptions()
