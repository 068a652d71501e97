"""Standards' tables and judging. Pure."""
