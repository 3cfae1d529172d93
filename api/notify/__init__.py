"""How an alarm reaches people: an outbox, and the channels it feeds."""
