"""A package, so that no installed package of this name can stand in for it."""
