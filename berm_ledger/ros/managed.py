# Copyright 2026 The berm_ledger authors
# SPDX-License-Identifier: Apache-2.0
"""
A node that can be managed (configure, activate, deactivate, clean up) and starts by itself.

What a user's input can break while it configures is said in one line and kept as ``fault``; a
node that starts itself then ends the process, a managed one stays unconfigured.
"""

from __future__ import annotations

from collections.abc import Callable
import traceback
from typing import Any, Generic

from rclpy.lifecycle import LifecycleNode, TransitionCallbackReturn

from .declare import declare_parameters, watch_parameters
from .parameters import ParametersT
from ..errors import BermLedgerError

# rclpy has no types here.
Transition: Any = TransitionCallbackReturn


class ManagedNode(LifecycleNode, Generic[ParametersT]):
    """
    A lifecycle node with parameters from the table.

    A subclass overrides ``set_up``, ``start``, ``stop`` and ``tear_down``; what ``set_up`` or
    ``start`` raise as ``BermLedgerError`` or ``OSError`` is a fault of the user's input.

    Parameters
    ----------
    name : str
        Name of the node, also in the table of parameters.
    into : type
        Dataclass of its parameters.
    **options
        Passed on to ``rclpy.node.Node``.

    Raises
    ------
    UsageError
        Parameters against the table.

    """

    def __init__(self, name: str, into: type[ParametersT], **options: Any) -> None:
        """Declare the parameters; nothing is opened yet."""
        super().__init__(name, **options)
        self.fault: Exception | None = None
        self.finished = False
        self.exit_code = 0
        self.parameters: ParametersT = declare_parameters(self, name, into)
        watch_parameters(self, name, into, self._apply)

    def _apply(self, parameters: ParametersT) -> None:
        """Take over changed parameters."""
        self.parameters = parameters

    def set_up(self) -> None:
        """Open what the node needs and offer its topics and services."""

    def start(self) -> None:
        """Begin to take messages."""

    def stop(self) -> None:
        """Take no more messages; may be called when it takes none."""

    def tear_down(self) -> None:
        """Close everything; may be called when nothing is open."""

    def start_by_itself(self) -> bool:
        """Configure and activate, unless a manager is to do it; tell whether that went well."""
        if not getattr(self.parameters, 'autostart', True):
            return True
        steps = (self.trigger_configure, self.trigger_activate)
        return all(step() == Transition.SUCCESS for step in steps)

    def tick(self) -> None:
        """Go on with work that no message and no timer starts."""

    def give_up(self) -> None:
        """End work whose answer is owed to somebody; it is answered when the executor works on."""

    @property
    def waits(self) -> bool:
        """Tell whether an answer is still owed."""
        return False

    @property
    def turn_s(self) -> float:
        """Return how long a turn may last in which nothing comes in [s]."""
        # Whoever owes an answer asks at every turn whether it is there.
        return 0.1 if self.waits else 1.0

    def close(self) -> None:
        """Stop and close in whatever state the node is, and destroy it."""
        self.stop()
        self.tear_down()
        self.destroy_node()

    def _attempt(self, step: Callable[[], None]) -> Any:
        """Run one step of the life cycle; a user's fault is said once and kept."""
        try:
            step()
        except (BermLedgerError, OSError) as exc:
            self.fault = exc
            self.get_logger().fatal(one_line(exc))
            return Transition.FAILURE
        except Exception:
            # The life cycle would swallow it: a defect of ours must be seen.
            self.get_logger().fatal(traceback.format_exc())
            raise
        self.fault = None
        return Transition.SUCCESS

    def on_configure(self, _state: Any) -> Any:
        """Answer the transition to `inactive`."""
        result = self._attempt(self.set_up)
        if result != Transition.SUCCESS:
            self.tear_down()
        return result

    def on_activate(self, _state: Any) -> Any:
        """Answer the transition to `active`."""
        result = self._attempt(self.start)
        if result != Transition.SUCCESS:
            self.stop()
        return result

    def on_deactivate(self, _state: Any) -> Any:
        """Answer the transition back to `inactive`."""
        return self._attempt(self.stop)

    def on_cleanup(self, _state: Any) -> Any:
        """Answer the transition back to `unconfigured`."""
        return self._attempt(self.tear_down)

    def on_shutdown(self, _state: Any) -> Any:
        """Answer the transition to `finalized`, from any state."""
        self._attempt(self.stop)
        return self._attempt(self.tear_down)


def one_line(exc: Exception) -> str:
    """Return an error as one line of text."""
    return ' '.join(str(exc).split()) or type(exc).__name__
