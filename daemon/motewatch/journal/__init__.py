"""The durable record and the outbox."""
