"""What stands at a site, what it says, and where that is kept."""
