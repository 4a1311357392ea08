"""Board entry: pick the board, load its calibration, run the loop."""

import sys

if sys.platform == "linux" or sys.platform == "darwin":
    # A file named on the desktop interpreter's command line has its folder on the path already.
    from boards import host as board
else:
    raise SystemExit("no board file for this platform; see boards/")

sys.exit(board.main())
