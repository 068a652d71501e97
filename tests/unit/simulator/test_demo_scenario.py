"""The demo shows what it promises: the engine judges its stream, without a broker and faster than time.

Calm before and between the incidents, an excursion that alarms and is seen to clear within the first minute, every
incident with its alarm and no alarm without an incident; for several seeds and starts, because nobody chooses those.
"""

from __future__ import annotations

import hashlib
from itertools import takewhile
from pathlib import Path

import numpy as np
import pytest

from motewatch.alarms.lifecycle import State
from motewatch.engine import Engine
from motewatch.engine.records import AlarmChanged, Configured, Heard, Input, Memory, Seen
from motewatch.links.site_file import load_site
from motewatch.wire.decode import decode
from motewatch.wire.records import SECOND_US, Presence, Reading
from motewatch.wire.topics import Topics
from motewatch_simulator.encode import encode
from motewatch_simulator.scenario_file import load_scenario
from motewatch_simulator.simulation import Simulation

CONFIG = Path(__file__).parents[3] / "config"
START_US = 1_780_300_800 * SECOND_US
ROUND_S = 240

# Alarm, and when it may begin and must be over, in seconds of the round.
STORY = {
    "location/gowning-bench/0.5um/alert": (8, 45),
    "location/gowning-bench/5um/alert": (8, 55),
    "location/gowning-bench/5um/action": (8, 50),
    "location/preparation-bench/humidity-high/alert": (60, 110),
    "location/preparation-bench/humidity-high/action": (60, 110),
    "location/filling-background/pressure-difference-low/alert": (110, 135),
    "location/filling-background/pressure-difference-low/action": (110, 135),
    "location/filling-needles/0.5um/alert": (135, 160),
    "sensor/pc-06/silent": (160, 185),
    "location/filling-background/0.5um/alert": (185, 220),
    "sensor/pc-07/silent": (215, 235),
}


@pytest.mark.parametrize(("seed", "offset_us"), [(7, 0), (1, 1_370_000), (2, 3_999_999)])
def test_the_demo_alarms_when_it_should_and_only_then(seed: int, offset_us: int) -> None:
    site = load_site(CONFIG / "demo-site.toml")
    scenario = load_scenario(CONFIG / "demo-scenario.toml", site)
    start_us = START_US + offset_us
    simulation = Simulation(site, scenario, rng=np.random.default_rng(seed), start_us=start_us)
    topics = Topics(site.service.topic_root, site.site.id)
    engine = Engine(Memory())
    text = site.model_dump_json()
    engine.apply(Input(start_us, start_us, Configured(hashlib.sha256(text.encode()).hexdigest(), text)))

    changes: list[AlarmChanged] = []
    end_us = start_us + 2 * ROUND_S * SECOND_US
    for emission in takewhile(lambda e: e.due_us < end_us, simulation.emissions()):
        message = encode(emission, topics)
        read = decode(topics, message.topic, message.payload)
        assert isinstance(read, Reading | Presence)
        received_us = emission.due_us + 2_000
        what = Heard(read) if isinstance(read, Reading) else Seen(read)
        changes += [o for o in engine.apply(Input(received_us, received_us, what)) if isinstance(o, AlarmChanged)]

    spans: dict[str, list[tuple[float, State]]] = {}
    for change in changes:
        spans.setdefault(change.alarm, []).append(((change.found_us - start_us) / SECOND_US, change.after))
    assert set(spans) == set(STORY)
    for alarm, steps in spans.items():
        begin, over = STORY[alarm]
        raised, returned = State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED
        assert [state for _, state in steps] == [raised, returned] * 2, (alarm, steps)
        for i, (second, _) in enumerate(steps):
            assert begin < second - ROUND_S * (i // 2) < over, (alarm, steps)
