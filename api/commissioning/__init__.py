"""Is everything heard, is it believed, and does it agree with what a person measures: before a site is handed over."""
