"""The pure model: no I/O, no clock, no global state."""
