"""What can go wrong on the way out.

    LinkError                     final: bool says whether another try can help
    +-- LinkSettingsError         the site file names something we cannot use (final)
    +-- SampleFileError           (in `sample_csv`) a CSV of samples cannot be used; `problems` holds every mistake
    +-- BrokerError
    |   +-- BrokerAwayError       no connection, or no answer: try again
    |   +-- PublicationRefusedError   the broker answered no; final where trying again cannot help
    +-- TimeSeriesError
    |   +-- TimeSeriesAwayError   no connection, no answer, or 'later, please': try again
    |   +-- PointsRefusedError    these points are wrong, says the server or our own check before it (final)
    +-- ChannelError              a call could not be delivered
        +-- ChannelAwayError      no connection, no answer, or 'later, please': try again
        +-- ChannelRefusedError   this call will never be taken (final)

Rules: the link says whether a failure is final, the one loop in `outbox` does the retrying. No secret in any text.
"""

from __future__ import annotations


class LinkError(Exception):
    """Base of all. `final`: another try with the same content and the same settings cannot succeed."""

    final = False


class LinkSettingsError(LinkError):
    """A setting of the site file cannot be used. `key` is its path, `mend` how to put it right."""

    final = True

    def __init__(self, key: str, problem: str, mend: str) -> None:
        self.key = key
        self.mend = mend
        super().__init__(f"{key}: {problem}; {mend}")


class BrokerError(LinkError):
    """Something between us and the MQTT broker."""


class BrokerAwayError(BrokerError):
    """Not connected, or the connection ended before the broker acknowledged."""


class PublicationRefusedError(BrokerError):
    """The broker acknowledged with a refusal. `reason_code` is MQTT 5's, such as 0x87 (not authorised)."""

    def __init__(self, topic: str, reason_code: int, reason: str, *, final: bool) -> None:
        self.topic = topic
        self.reason_code = reason_code
        self.final = final
        mend = "; allow the service's user to write this topic in the broker's ACL" if reason_code == 0x87 else ""
        super().__init__(f"the broker refused to take '{topic}': {reason} (0x{reason_code:02X}){mend}")


class TimeSeriesError(LinkError):
    """Something between us and the time-series server."""


class TimeSeriesAwayError(TimeSeriesError):
    """No connection, no answer in time, or the server asks to come later (HTTP 408, 429, 5xx)."""


class PointsRefusedError(TimeSeriesError):
    """These points will never be taken. `status` is the HTTP status; 0 where our own check found them malformed."""

    final = True

    def __init__(self, status: int, detail: str) -> None:
        self.status = status
        by = f"the time-series server answered {status}" if status else "malformed line"
        super().__init__(f"{by}: {detail}")


class ChannelError(LinkError):
    """Something between us and whoever delivers calls. `may_have_arrived`: the call was sent, the answer is missing."""

    may_have_arrived = False


class ChannelAwayError(ChannelError):
    """No connection, no answer in time, or a request to come later, after `retry_after_s` where that was said."""

    def __init__(self, text: str, *, retry_after_s: float | None = None, may_have_arrived: bool = False) -> None:
        self.retry_after_s = retry_after_s
        self.may_have_arrived = may_have_arrived
        super().__init__(text)


class ChannelRefusedError(ChannelError):
    """The same call over the same way will be refused again: wrong address, wrong credentials, wrong certificate."""

    final = True
