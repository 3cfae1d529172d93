"""The commands of `ullage`. Everything heavy is imported where it is used."""
