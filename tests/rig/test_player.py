"""A sound that goes on until it is enough."""

from threading import Event
from threading import enumerate as enumerate_threads

import numpy as np
import pytest

from sigbench.errors import CaptureFailed
from sigbench.interface.base import Block
from sigbench.interface.loopback import LoopbackInterface
from sigbench.rig.player import Player

PATIENCE_SECONDS = 60  # of a machine that is busy with other tests


class Counting(LoopbackInterface):
    """Counts its streams, and those that were closed."""

    begun = closed = 0
    asked: tuple = ()

    def stream(self, *, seconds, stimulus=None, background=None):
        self.begun += 1
        self.asked = (seconds, stimulus is not None)
        try:
            yield from super().stream(seconds=seconds, stimulus=stimulus)
        finally:
            self.closed += 1


def test_a_sound_is_played_again_and_again():
    interface, often = Counting(), Event()

    def count(block):
        if interface.begun >= 3:
            often.set()

    with Player(interface, np.zeros((4800, 2)), on_block=count) as player:
        assert often.wait(PATIENCE_SECONDS)
        player.check()
    assert interface.closed == interface.begun >= 3
    assert interface.asked == (0.1, True)


def test_inputs_are_listened_to_in_one_go():
    interface, blocks = Counting(paced=True), []
    heard = Event()
    before = set(enumerate_threads())  # other tests may have left some that still end

    def hear(block):
        blocks.append(block)
        heard.set()

    with Player(interface, on_block=hear):
        assert heard.wait(PATIENCE_SECONDS)
    assert interface.closed == interface.begun == 1
    assert interface.asked == (None, False)
    assert isinstance(blocks[0], Block)
    assert "player" not in {thread.name for thread in set(enumerate_threads()) - before}


def test_a_device_that_fails_is_told():
    class Failing(LoopbackInterface):
        def stream(self, **_):
            raise CaptureFailed("It is out.")
            yield

    failed = Event()
    with Player(Failing(), on_trouble=failed.set) as player:
        assert failed.wait(PATIENCE_SECONDS)
        with pytest.raises(CaptureFailed, match="It is out"):
            player.check()
