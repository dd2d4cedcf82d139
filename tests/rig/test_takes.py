"""Takes that lost audio are made again."""

from collections.abc import Generator
from dataclasses import replace
from typing import Any

import pytest

from sigbench.errors import SignalError
from sigbench.interface.base import Block
from sigbench.interface.loopback import LoopbackInterface
from sigbench.model import LostBuffers
from sigbench.rig.takes import ATTEMPTS, whole_take


class Losing(LoopbackInterface):
    """Loses audio in its first takes."""

    def __init__(self, losses: int) -> None:
        super().__init__()
        self.losses = losses
        self.takes = 0

    def stream(self, **options: Any) -> Generator[Block, None, None]:
        self.takes += 1
        lost = (LostBuffers(100, 10),) if self.takes <= self.losses else ()
        for block in super().stream(**options):
            yield replace(block, lost=lost)
            lost = ()


@pytest.mark.parametrize("losses", [0, ATTEMPTS - 1])
def test_a_take_is_made_again_until_it_is_whole(losses: int) -> None:
    interface = Losing(losses)
    assert whole_take(interface, seconds=0.1).lost == ()
    assert interface.takes == losses + 1


def test_on_a_computer_that_always_loses_audio_it_is_given_up() -> None:
    interface = Losing(ATTEMPTS)
    with pytest.raises(SignalError, match="lost audio 4 times in a row: close other programs"):
        whole_take(interface, seconds=0.1)
    assert interface.takes == ATTEMPTS
