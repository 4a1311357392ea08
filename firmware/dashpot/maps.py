"""Tables over one axis, read by linear interpolation; they hold at their edges."""

import micropython
from micropython import const

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_S_PAD = const(101)
# layout: end


@micropython.viper
def look_up(image: ptr32, state: ptr32, tables: int, x_at: int, y_at: int, count: int):
    """Read `count` tables: their offsets stand in `image` from `tables` on, x in `state`, and y goes there.

    A table is [n, x0 .. xn-1, y0 .. yn-1], 2 <= n <= 16, x rising; all numbers have 16 bits, so that a difference
    times 2**14 stays below 2**30.
    """
    pad = state[_S_PAD]
    for k in range(count):
        x = state[x_at + k] << pad >> pad
        table = ptr32(uint(image) + (image[tables + k] << 2))
        # One place of the table is x0, the next x1, and n further on are y0 and y1.
        n = table[0]
        place = ptr32(uint(table) + 4)
        left = n - 2
        while left > 0 and x >= place[1] << pad >> pad:
            place = ptr32(uint(place) + 4)
            left -= 1
        x0 = place[0] << pad >> pad
        x1 = place[1] << pad >> pad
        place = ptr32(uint(place) + (n << 2))
        y0 = place[0] << pad >> pad
        y1 = place[1] << pad >> pad
        if x <= x0:
            y = y0
        elif x >= x1:
            y = y1
        else:
            y = y0 + ((y1 - y0) * (((x - x0) << 14) // (x1 - x0)) + 8192 >> 14)
        state[y_at + k] = y
