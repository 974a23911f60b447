# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""Plans made on a thread of their own, so that questions are answered meanwhile; no ROS."""

from __future__ import annotations

from collections.abc import Callable
from threading import Event, Thread
from typing import Any

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
        if job is not None and job.due is not due and job.ended.is_set():
            job = None  # nobody asks for that one any more
        if job is None:
            job = self._job = _Job(due, self._when_made)
            job.ended.wait(self._patience_s)
        job.tells = True  # before the look at whether it ended: one of the two is never missed
        if job.due is not due or not job.ended.is_set():
            return None
        self._job = None
        return job.outcome()


class _Job:
    """One plan being made."""

    def __init__(self, due: Replan, when_made: Callable[[], None]) -> None:
        """Begin at once."""
        self.due, self._when_made = due, when_made
        self.ended = Event()
        #: Whether somebody went away without it and is to be told.
        self.tells = False
        self._made: tuple[Plan, bool] | None = None
        self._error: BaseException | None = None
        # Nobody is to wait for a plan when the process ends.
        Thread(target=self._run, name='plan', daemon=True).start()

    def _run(self) -> None:
        """Make the plan on the worker's thread."""
        with self:
            self._made = self.due.made()
        self.ended.set()
        if self.tells:
            self._when_made()

    def __enter__(self) -> None:
        """Begin to make it."""

    def __exit__(self, _kind: Any, error: BaseException | None, _trace: Any) -> bool:
        """Keep what went wrong for the one who asks."""
        self._error = error
        return True

    def outcome(self) -> tuple[Plan, bool]:
        """Return what was made, or raise what went wrong."""
        if self._error is not None:
            raise self._error
        assert self._made is not None
        return self._made
