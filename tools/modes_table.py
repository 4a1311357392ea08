"""Print the modes and the legal ways between them, as Markdown, from the firmware's own table.

With --check PAGE the block between the markers in a page is compared (exit 1 when it is stale), with --write PAGE it is
replaced.
"""

from __future__ import annotations

import argparse
import re
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "bench"))

from dashpot import checked  # noqa: E402  (the checkout's own package, before anything is installed)
from dashpot.errors import InputError  # noqa: E402
from dashpot.files import atomic_path  # noqa: E402
from dashpot.layout import Layout  # noqa: E402

BEGIN = "<!-- modes: begin (tools/modes_table.py writes these from firmware/dashpot/modes.py) -->\n"
END = "<!-- modes: end -->\n"
BLOCK = re.compile(re.escape(BEGIN) + r".*?" + re.escape(END), re.DOTALL)


def rendered(firmware: Path) -> str:
    """Give the block, without its markers.

    Raises:
        InputError: the folder holds no firmware, or its modes are not those of its layout.

    """
    layout = Layout.load(firmware)
    modes = checked.load(firmware).import_module("dashpot.modes")
    said = dict(re.findall(r"^- (\w+): (.+)$", modes.__doc__ or "", re.MULTILINE))
    if tuple(said) != layout.modes:
        raise InputError("modes.py does not describe exactly the modes of layout.toml", where=str(firmware))
    lines = ["| mode | what it is |", "|---|---|"]
    lines += [f"| {name} | {text} |" for name, text in said.items()]
    lines += ["", "| from | to | when there is | and no |", "|---|---|---|---|"]
    for begin, end, needs, without in modes.TRANSITIONS:
        names = [
            " and ".join(name for i, name in enumerate(layout.conditions) if mask >> i & 1) or "-"
            for mask in (needs, without)
        ]
        lines.append(
            f"| {layout.modes[begin]} | {layout.modes[end]} | {names[0]} | {names[1].replace(' and ', ', no ')} |"
        )
    return "\n".join(lines) + "\n"


def replaced(page: Path, block: str) -> str:
    """Give a page's text with the block in place of its own.

    Raises:
        InputError: the page has no markers.

    """
    text = page.read_text(encoding="utf-8")
    if len(BLOCK.findall(text)) != 1:
        raise InputError(
            f"the markers are not there once: {BEGIN.strip()} and {END.strip()}", where=str(page)
        )
    return BLOCK.sub(lambda _: BEGIN + block + END, text)


def main() -> int:
    """Print, check or write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--firmware", type=Path, default=ROOT / "firmware", help="folder with layout.toml")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--check", type=Path, metavar="PAGE", help="compare, write nothing")
    what.add_argument("--write", type=Path, metavar="PAGE", help="put the block into the page")
    arguments = parser.parse_args()
    try:
        block = rendered(arguments.firmware)
        if arguments.write:
            text = replaced(arguments.write, block)
            with atomic_path(arguments.write) as aside:
                aside.write_text(text, encoding="utf-8")
        elif arguments.check:
            if replaced(arguments.check, block) != arguments.check.read_text(encoding="utf-8"):
                sys.stderr.write(
                    f"{arguments.check} is stale: run tools/modes_table.py --write {arguments.check}\n"
                )
                return 1
        else:
            sys.stdout.write(block)
    except (InputError, OSError) as error:
        sys.stderr.write(f"{error}\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
