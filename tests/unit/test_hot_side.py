"""A side answers from a thread of its own; a story that waits for it holds nobody up."""

import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

import pytest

from platemark.engine import hot_side
from platemark.engine.hot_side import HotSide, Silent, Stories, answer_within


class Share:
    """A disk that answers, or is held until it is let go."""

    def __init__(self) -> None:
        self.goes = threading.Event()
        self.goes.set()

    def read(self, answer: object = "answer") -> object:
        """What it is asked for, once it goes."""
        self.goes.wait(30)
        return answer


@pytest.fixture
def share() -> Iterator[Share]:
    """A share that is let go at the end."""
    made = Share()
    yield made
    made.goes.set()


@pytest.fixture
def faults() -> list[Exception]:
    """What went wrong in a story."""
    return []


@pytest.fixture
def stories(faults: list[Exception]) -> Iterator[Stories]:
    """Stories whose mistakes are collected."""

    def guard(name: str, step: Callable[[], Any]) -> None:
        del name
        try:
            step()
        except Exception as fault:
            faults.append(fault)

    made = Stories(guard)
    yield made
    made.close()


def until(right: Callable[[], bool]) -> None:
    """Wait until something has come to be so."""
    deadline = time.monotonic() + 10
    while not right():
        assert time.monotonic() < deadline
        time.sleep(0.005)


def test_what_answers_at_once_is_told_in_the_same_turn(stories: Stories, share: Share) -> None:
    """A disk that is well lets a story come to its end in one turn, question after question."""
    side, told = HotSide(stories.answered), []

    async def story() -> None:
        told.extend([await side.ask(partial(share.read, number)) for number in range(50)])

    stories.begin("story", story)
    stories.go_on()
    assert told == list(range(50))
    assert stories.waiting == 0


def test_a_share_that_hangs_keeps_its_own_story_waiting(stories: Stories, share: Share) -> None:
    """The turn goes on within the patience; another side's story comes to its end."""
    share.goes.clear()
    hanging, well, told = HotSide(stories.answered), HotSide(stories.answered), []

    async def waits() -> None:
        told.append(await hanging.ask(share.read))

    async def goes() -> None:
        told.append(await well.ask(lambda: "well"))

    stories.begin("waits", waits)
    stories.begin("goes", goes)
    for _ in range(3):
        began = time.monotonic()
        stories.go_on()
        assert time.monotonic() - began < 1
    assert told == ["well"]
    assert "waits" in stories
    share.goes.set()
    until(lambda: stories.can_go_on)
    stories.go_on()
    assert told == ["well", "answer"]


def test_a_silent_side_is_given_up_and_asked_again_when_it_answers(
    stories: Stories, share: Share, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was asked ends as silent, at once for what is asked later; late answers are undone."""
    monkeypatch.setattr(hot_side, "SILENT_S", 0.05)
    share.goes.clear()
    side, told, undone = HotSide(stories.answered), [], []

    async def story() -> None:
        try:
            await side.ask(share.read, undo=undone.append)
        except Silent:
            told.append("silent")

    stories.begin("story", story)
    stories.go_on()
    until(side.look_after)
    assert side.silent_since is not None
    stories.go_on()
    stories.begin("story", story)
    stories.go_on()
    assert told == ["silent", "silent"]
    share.goes.set()
    until(lambda: not side.look_after())
    until(lambda: undone == ["answer"])
    stories.begin("story", story)
    stories.go_on()
    assert told == ["silent", "silent"]


def test_what_gets_on_is_not_silent(
    stories: Stories, share: Share, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A copy that takes long and grows is waited for."""
    monkeypatch.setattr(hot_side, "SILENT_S", 0.05)
    share.goes.clear()
    side, told = HotSide(stories.answered), []

    async def story() -> None:
        told.append(await side.ask(share.read, lives=time.monotonic))

    stories.begin("story", story)
    stories.go_on()
    for _ in range(20):
        assert not side.look_after()
        time.sleep(0.01)
    share.goes.set()
    until(lambda: stories.can_go_on)
    stories.go_on()
    assert told == ["answer"]


def test_a_fault_comes_to_whoever_asked(stories: Stories, faults: list[Exception]) -> None:
    """What a disk refuses is raised in the story, in the service's own thread."""
    side = HotSide(stories.answered)

    def refuse() -> None:
        raise PermissionError("no")

    async def story() -> None:
        await side.ask(refuse)

    stories.begin("story", story)
    stories.go_on()
    assert [type(fault) for fault in faults] == [PermissionError]
    assert stories.waiting == 0


def test_asked_once_within_a_time(share: Share) -> None:
    """A single question has an answer, a fault, or an end to the waiting."""
    assert answer_within(5, share.read) == "answer"
    with pytest.raises(ZeroDivisionError):
        answer_within(5, lambda: 1 // 0)
    share.goes.clear()
    with pytest.raises(Silent):
        answer_within(0.02, share.read)
