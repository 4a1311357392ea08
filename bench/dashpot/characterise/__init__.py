"""From a damper dyno's readings to what a valve does: force over speed and current, response, coil, and how sure each is.

`readings` reads the files, `strokes` finds the tests in them, `rod` takes gas and friction away, `surface` makes the
forces, `curve` the firmness over current, `response` and `electric` look at steps and coil, `doubts` says what the
data cannot carry, `analysis` ties them together, `report` and `figures` show it.
"""
