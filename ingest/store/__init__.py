"""Homes for readings and for records."""
