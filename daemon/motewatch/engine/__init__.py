"""The deterministic step: (state, input, time) -> (state, outputs). Pure."""
