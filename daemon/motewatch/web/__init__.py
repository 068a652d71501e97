"""Pages that the service itself serves."""
