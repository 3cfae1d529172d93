"""The design check: what a supply will deliver, and which of its sizes are wrong, before a pipe is cut."""
