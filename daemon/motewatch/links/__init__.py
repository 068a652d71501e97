"""The outside: clock, site file, broker, time-series server, outbox workers, housekeeping."""
