"""Rain and sun to come, as an ensemble."""
