"""When the service must not say to the outside that all is well."""

from __future__ import annotations

import pytest

from motewatch.service.calling import LOSS_S, TURN_S, stuck, unseen


@pytest.mark.parametrize(
    ("turned_s", "said"),
    [(100.0, ""), (100.0 - TURN_S, ""), (100.0 - TURN_S - 1, "the writer has not turned for 31 s")],
)
def test_a_writer_that_has_not_turned_for_long_is_stuck(turned_s: float, said: str) -> None:
    assert stuck(turned_s, 100.0) == said


@pytest.mark.parametrize(
    ("away_s", "said"),
    [(0.0, ""), (LOSS_S, ""), (LOSS_S + 5, "the broker has been away for 65 s and nobody was told")],
)
def test_a_loss_of_the_broker_that_nobody_was_told_of_counts_after_a_minute(away_s: float, said: str) -> None:
    assert unseen(away_s) == said
