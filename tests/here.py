"""A picture's steps in the test's own process, which saves the start of a child for each."""

import json
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
import pyvips

from platemark.imaging import worker
from platemark.imaging.child import Children
from platemark.imaging.steps import STEPS
from platemark.model.plain import from_plain, to_plain
from platemark.model.work import ChildLimits, Failure, Report, Task


class Here(Children):
    """Does each step in this process: what it is told and what it tells go by JSON all the same."""

    def run(self, task: Task, limits: ChildLimits) -> Report | Failure:
        """Do one step."""
        step = next(name for name, (kind, _) in STEPS.items() if isinstance(task, kind))
        try:
            told = json.loads(json.dumps(to_plain(task)))
            report = to_plain(worker._dispatch(step, told))
        except Exception as error:
            return worker._failure(error, limits.memory_mb)
        return from_plain(STEPS[step][1], json.loads(json.dumps(report)))


@contextmanager
def examined_here() -> Iterator[None]:
    """What looks at a file without a job does its steps here."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("platemark.engine.look_at.Children", Here)
        patch.setattr(worker, "_prepare_vips", lambda: pyvips.cache_set_max(0))
        yield
