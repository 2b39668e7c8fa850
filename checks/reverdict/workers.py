"""How the items of a gate are dealt out to the workers of one machine: a plugin of pytest beside xdist.

A worker keeps the last item it was given back until it hears of another one, or that there is none: pytest wants to
know what comes next. One that stands in for a worker that was lost is given a single reference by xdist (3.8), of which
nothing or one item may be left; it never asks for another, and both wait for ever. Here it is given what keeps it
going.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from xdist.scheduler import LoadFileScheduling

if TYPE_CHECKING:
    import pytest
    from xdist.workermanage import WorkerController

ENOUGH = 2
"""Items that a worker needs to go on: one to do, and the next."""


class ByReference(LoadFileScheduling):  # type: ignore[misc]  # xdist tells no types
    """A reference is judged by one worker, and what a lost one had not judged by another."""

    def remove_node(self, node: WorkerController) -> str | None:
        """Deal out again what a worker leaves, but not the references that it was through with."""
        given = self.assigned_work[node]
        self.assigned_work[node] = {name: items for name, items in given.items() if not all(items.values())}
        return super().remove_node(node)

    def _reschedule(self, node: WorkerController) -> None:
        super()._reschedule(node)
        while self.workqueue and not node.shutting_down and self._pending_of(self.assigned_work[node]) < ENOUGH:
            self._assign_work_unit(node)


def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> ByReference:
    """Called by xdist in the process that hands out."""
    return ByReference(config, log)
