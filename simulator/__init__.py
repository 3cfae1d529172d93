"""A site that does not exist, finer than the model and independent of it."""
