"""A part of the service that monitoring can do without is out of use, as dialogues with the engine."""

from __future__ import annotations

from motewatch.engine.records import AlarmChanged, PartChanged
from motewatch.engine.register import alarm_register
from motewatch.site.models import Site
from motewatch.wire.records import SECOND_US
from support.dialogue import transcript
from support.facility import T0, at, configured, engine, run, site_dict

S = SECOND_US
CONSOLE = {"public_url": "http://127.0.0.1:8421"}


def test_a_part_that_is_out_of_use_is_an_alarm_until_it_is_in_use_also_under_a_new_configuration() -> None:
    site = site_dict(channels=[{"id": "mail", "kind": "mqtt"}], console=CONSOLE)
    inputs = [
        at(T0 + 1 * S, PartChanged("channel/mail", False, T0 + 1 * S, "mail.password: cannot be read")),
        at(T0 + 2 * S, PartChanged("console", False, T0 + 2 * S)),
        at(T0 + 3 * S, PartChanged("console", True, T0 + 3 * S)),
        at(T0 + 4 * S, PartChanged("never-there", True, T0 + 4 * S)),
        at(T0 + 5 * S, configured(site)),
        at(T0 + 30 * S, PartChanged("channel/mail", True, T0 + 30 * S)),
    ]
    said = run(engine(site), inputs, T0 + 40 * S)
    assert transcript(said, AlarmChanged) == [
        "service/out-of-use/channel/mail starts at +1 -> unacknowledged",
        "service/out-of-use/console starts at +2 -> unacknowledged",
        "service/out-of-use/console returns at +3 -> returned-unacknowledged",
        "service/out-of-use/channel/mail returns at +30 -> returned-unacknowledged",
    ]
    rows = {row.alarm: row for row in alarm_register(Site.model_validate(site))}
    for step in said:
        if isinstance(step, AlarmChanged):
            assert (rows[step.alarm].kind, rows[step.alarm].advice.priority) == (step.kind, step.priority)
    texts = [step.text for step in said if isinstance(step, AlarmChanged)]
    assert texts[0] == "the channel mail is out of use: mail.password: cannot be read"
    assert texts[1] == "the part console is out of use"
