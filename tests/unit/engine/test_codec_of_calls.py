"""A call and its outcome survive the way into the journal and back, unchanged and with one text for one value."""

from motewatch.callout.records import Cause, Delivered, Fact, Outcome, Told
from motewatch.engine.codec import canonical, decode_internal, encode_internal, internal_kind, kind_of, output_from

TOLD = Told(
    id="call-1",
    at_us=1_000_000,
    found_us=2_000_000,
    cause=Cause.CLIMBED,
    person="ada",
    channel="mail",
    address="ada@example.org",
    urgent=True,
    facts=(
        Fact(
            "location/fill-1/0.5um/action", "high", "unacknowledged", "too many", "Filling", 1_000_000, 4000.5, 3520.0
        ),
        Fact("service/broker", "medium", "unacknowledged", "the broker", "", 900_000, action="Look at it."),
    ),
    note="Nobody has acknowledged; \u00e4",
    answer="location/fill-1/0.5um/action",
)


def test_a_call_comes_back_equal() -> None:
    text = canonical(TOLD)
    assert kind_of(TOLD) == "told"
    assert output_from("told", text) == TOLD
    assert canonical(output_from("told", text)) == text
    assert '"priority":"high"' in text


def test_an_outcome_comes_back_equal() -> None:
    outcome = Delivered("call-1", Outcome.GIVEN_UP, 3_000_000, 4, "450 mailbox busy")
    assert internal_kind(outcome) == "delivered"
    assert decode_internal("delivered", encode_internal(outcome)) == outcome
