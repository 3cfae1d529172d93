"""When somebody should know: the alarm types, their rules, their life."""
