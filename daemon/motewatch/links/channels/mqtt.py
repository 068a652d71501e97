"""Calls over the site's own broker: a message on the topic `call/PERSON`, at QoS 1, not retained.

Rules: taken is what the broker has acknowledged and what somebody subscribes to (a session that is kept for a client
that is away counts); a call that nobody hears is worth another try. The connection is the service's own: this module
must not connect.
"""

from __future__ import annotations

from motewatch.links.call_message import CallMessage
from motewatch.links.channels import Publisher
from motewatch.links.channels.body import payload_of
from motewatch.links.errors import ChannelAwayError, ChannelRefusedError
from motewatch.wire.asyncapi import CALL_EXPIRY_S
from motewatch.wire.topics import Topics


class MqttChannel:
    """See the module."""

    def __init__(self, publisher: Publisher, topics: Topics) -> None:
        self._publisher = publisher
        self._topics = topics

    def send(self, message: CallMessage, deadline_s: float) -> None:
        """See `links.channels.Channel`."""
        topic = self._topics.call(message.person)
        publication = self._publisher.publish(topic, payload_of(message), False, CALL_EXPIRY_S)
        # Settled at once: it never left.
        sent = not publication.settled
        if not publication.settles_within(deadline_s):
            raise ChannelAwayError(
                f"the broker did not acknowledge '{topic}' within {deadline_s:g} s", may_have_arrived=True
            )
        error = publication.error
        if error is not None:
            if error.final:
                raise ChannelRefusedError(str(error))
            raise ChannelAwayError(str(error), may_have_arrived=sent)
        if not publication.heard:
            raise ChannelAwayError(
                f"the broker took the call, but nobody subscribes to '{topic}'; subscribe the person's client to it"
            )

    def close(self) -> None:
        """The connection belongs to the service."""
