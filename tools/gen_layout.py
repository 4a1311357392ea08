"""Write the constants of the firmware's stages from firmware/layout.toml.

MicroPython folds a `const` only inside the module that declares it, so every stage carries its own block: the names
that its code uses and no others. Run with --check to compare instead of write (exit 1 when a file is stale).
"""

from __future__ import annotations

import argparse
import re
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "bench"))

from dashpot.layout import Layout  # noqa: E402  (the checkout's own package, before anything is installed)

BEGIN = "# layout: begin (tools/gen_layout.py writes these from layout.toml)\n"
END = "# layout: end\n"
BLOCK = re.compile(re.escape(BEGIN) + r".*?" + re.escape(END), re.DOTALL)
NAME = re.compile(r"(?<![\w.])_[A-Z][A-Z0-9_]*\b")


def rendered(source: str, layout: Layout) -> str:
    """Give a firmware source its block of constants anew; the rest stays as it is."""
    body = BLOCK.sub("", source)
    named = set(NAME.findall(body))
    lines = [f"{name} = const({value})\n" for name, value in layout.constants.items() if name in named]
    if "_BOUNDS" in named:
        lines += bounds(layout)
    if "_CHECK_CODES" in named:
        lines += check_codes(layout)
    return BLOCK.sub(lambda _: BEGIN + "".join(lines) + END, source)


def bounds(layout: Layout) -> list[str]:
    """Give the lines of `_BOUNDS`: place, count, least and most of each bounded word of an image."""
    words = [word for word in layout.config.values() if word.least is not None]
    rows = [f"    ({word.at}, {word.count}, {word.least}, {word.most}),  # {word.name}\n" for word in words]
    return ["_BOUNDS = (\n", *rows, ")\n"]


def check_codes(layout: Layout) -> list[str]:
    """Give the lines of `_CHECK_CODES`: the fault that each check reports, by number."""
    rows = [f"    {layout.faults.index(check.fault)},  # {check.name}\n" for check in layout.checks]
    return ["_CHECK_CODES = (\n", *rows, ")\n"]


def main() -> int:
    """Write or check all firmware files that carry a block."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="compare, write nothing")
    parser.add_argument("--firmware", type=Path, default=ROOT / "firmware", help="folder with layout.toml")
    arguments = parser.parse_args()
    layout = Layout.load(arguments.firmware)
    stale = 0
    for path in sorted(arguments.firmware.rglob("*.py")):
        source = path.read_text(encoding="utf-8")
        if BEGIN not in source:
            continue
        fresh = rendered(source, layout)
        if fresh == source:
            continue
        stale += 1
        print(f"{path.relative_to(arguments.firmware)}: {'stale' if arguments.check else 'written'}")
        if not arguments.check:
            path.write_text(fresh, encoding="utf-8")
    return 1 if stale and arguments.check else 0


if __name__ == "__main__":
    raise SystemExit(main())
