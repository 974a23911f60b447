# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Plans made on a thread of their own, so that questions are answered meanwhile; no ROS."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, wait
from threading import Thread
from typing import NamedTuple

from ..targeting import Plan, Replan

# A plan that is made sooner than this is waited for [s].
PATIENCE_S = 0.15


class PlanWorker:
    """
    Makes one plan after the other beside the work of the node.

    Parameters
    ----------
    when_made : callable
        Called on the worker's thread when a plan was made that was not waited for.
    patience_s : float
        How long a plan is waited for when it is asked for first [s].

    """

    def __init__(self, when_made: Callable[[], None], *, patience_s: float = PATIENCE_S) -> None:
        """Start with nothing to do."""
        self._when_made, self._patience_s = when_made, patience_s
        self._job: _Job | None = None

    def __call__(self, due: Replan) -> tuple[Plan, bool] | None:
        """
        Return a plan that is due, None as long as it or one before it is being made.

        Parameters
        ----------
        due : Replan
            The plan; its inputs do not change.

        Returns
        -------
        tuple or None
            What ``due.made()`` gives; an error it raised is raised here.

        """
        job = self._job
        # Nobody asks any more for one that was made for something else.
        if job is None or (job.due is not due and job.made.done()):
            job = self._job = _begun(due)
            wait([job.made], self._patience_s)
            if not job.made.done():
                job.made.add_done_callback(lambda _: self._when_made())
        if job.due is not due or not job.made.done():
            return None
        self._job = None
        return job.made.result()


class _Job(NamedTuple):
    """One plan being made."""

    due: Replan
    made: Future[tuple[Plan, bool]]


def _begun(due: Replan) -> _Job:
    """Begin to make a plan on a thread of its own."""
    job = _Job(due, Future())
    # Not on a pool of the library: the end of the process would wait for its plan.
    Thread(target=_make, args=job, name='plan', daemon=True).start()
    return job


def _make(due: Replan, made: Future[tuple[Plan, bool]]) -> None:
    """Make a plan; what goes wrong is raised where the plan is asked for."""
    try:
        made.set_result(due.made())
    except BaseException as error:  # noqa: BLE001
        made.set_exception(error)
