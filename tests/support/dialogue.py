"""A core test as a dialogue: feed the engine, and read what it says as short lines.

On a failure pytest shows the two transcripts as a diff, and the expected one reads as the specification.
"""

from __future__ import annotations

from collections.abc import Iterable

from motewatch.engine.records import AlarmChanged, Audited, Output, Repeated, Replied, SampleTaken, Told, Turned
from motewatch.wire.records import SECOND_US
from support.facility import T0


def seconds(at_us: int) -> str:
    """An instant as seconds since `T0`: `+60`, `+60.3`."""
    return f"{(at_us - T0) / SECOND_US:+g}"


def line(output: Output) -> str:
    """One output in one line."""
    if isinstance(output, SampleTaken):
        sample = output.sample
        counts = "/".join(f"{channel.count}" for channel in sample.channels) or "-"
        quality = sample.quality.name or "GOOD"
        return (
            f"sample {sample.location} {seconds(sample.start_us)}..{seconds(sample.end_us)} "
            f"r{sample.revision} {counts} {quality}"
        )
    if isinstance(output, AlarmChanged):
        late = " late" if output.late else ""
        by = f" by {output.by}" if output.by else ""
        return f"{output.alarm} {output.event.value} at {seconds(output.at_us)} -> {output.after.value}{late}{by}"
    if isinstance(output, Replied):
        return f"reply {output.command_id} {'yes' if output.accepted else 'no'}: {output.text}"
    if isinstance(output, Turned):
        return f"turned {output.refusal.reason.value}"
    if isinstance(output, Repeated):
        return f"repeated {output.sensor} {output.boot} {output.seq}"
    if isinstance(output, Told):
        return f"told {output.id} {output.cause.value} {output.person} over {output.channel}"
    assert isinstance(output, Audited)
    return f"audit {output.action} {output.subject} by {output.by}"


def transcript(outputs: Iterable[Output], *kinds: type) -> list[str]:
    """All outputs (of these kinds) as lines."""
    return [line(output) for output in outputs if not kinds or isinstance(output, kinds)]
