"""Pictures for the pages: SVG drawn on the server, from a few primitives. Pure: no store, no clock.

Start reading at `plot.py` (scales and shapes), `ticks.py` (round values, local midnights) and
`figure.py` (the picture with its words and its table). `level.py` and `days.py` are whole charts of a
site; `columns.py` and `curve.py` are for the account and for design.

Everything is drawn in user units of a box 640 wide, which a phone shows at a little under half a
pixel each. Letters are 26 units high there and smaller on a wide page, so labels that do not
overlap at 320 pixels overlap nowhere.
"""
