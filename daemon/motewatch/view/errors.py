"""What can keep a person from the daemon.

ViewError                  a sentence for the person: what is wrong and how to mend it
+-- BrokerNotReachedError  no connection, or refused at the door
+-- NotAllowedError        connected, but the broker forbids the topic
+-- NoAnswerError          the command was sent and nobody answered in time
"""

from __future__ import annotations


class ViewError(Exception):
    """Base of all."""


class BrokerNotReachedError(ViewError):
    """No connection to the broker."""


class NotAllowedError(ViewError):
    """The broker does not let this user read or write a topic."""


class NoAnswerError(ViewError):
    """A command was sent, and no usable answer came in time."""
