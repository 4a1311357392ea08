"""What a change of firmware or calibration does: two runs of the same log, held against each other tick by tick.

`pair` says which words of two runs mean the same, `measure` adds up where they differ, `expect` reads which differences
are wanted and `verdict` judges them, `replays` makes the runs of two firmwares or calibrations, `report` tells it.
"""
