"""The account of a site: what its design promised, what came, and why; and tables of it to take away.

In a notebook: `account_frame(site, read_measured(site, store, start_ms, end_ms))`, see `frames.py`.
"""
