"""What will happen: how much water, until when, and how sure that is."""
