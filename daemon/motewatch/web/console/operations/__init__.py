"""The operations of the HTTP API, one module for each group: its `OPERATIONS`, and a class with a method for each."""
