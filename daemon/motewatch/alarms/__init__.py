"""The alarm lifecycle. Pure."""
