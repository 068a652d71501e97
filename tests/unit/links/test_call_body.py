"""A call as JSON: as the schema says, and whatever the figures are."""

from __future__ import annotations

import json
from dataclasses import replace
from math import inf, nan

import pytest
from jsonschema import Draft202012Validator

from motewatch.callout.records import Cause
from motewatch.links.channels.body import payload_of
from motewatch.wire.schemas import DOCUMENTS, schema_of
from support.calls import FACT, message

SCHEMA = Draft202012Validator(schema_of(next(each for each in DOCUMENTS if each.name == "call")))


@pytest.mark.parametrize("cause", Cause)
@pytest.mark.parametrize("value", [None, 0.0, -6.2, inf, nan])
def test_every_call_is_what_the_schema_says(cause: Cause, value: float | None) -> None:
    fact = replace(FACT, value=value, limit=value, action="")
    body = json.loads(payload_of(message(link=None, cause=cause, facts=(fact, FACT), note="", answer="")))
    assert list(SCHEMA.iter_errors(body)) == []
    assert "link" not in body
    assert ("value" in body["alarms"][0]) == (value in (0.0, -6.2))
    assert body["alarms"][1]["value"] == 14_210
