"""The pages for people: every link into the repository leads somewhere."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PAGES = sorted(
    page
    for page in ROOT.rglob("*.md")
    if not any(part.startswith(".") for part in page.relative_to(ROOT).parts)
)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_link_of_a_page_leads_somewhere(page: Path) -> None:
    text = page.read_text()
    broken = []
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if re.match(r"[a-z]+:", target):
            continue
        name, _, anchor = target.partition("#")
        other = page.parent / name if name else page
        if not other.exists() or (anchor and anchor not in anchors(other.read_text())):
            broken.append(target)
    assert broken == []


def anchors(text: str) -> set[str]:
    """Return the anchors that a page's headings get: lower case, blanks to dashes, no punctuation."""
    return {
        re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")
        for heading in re.findall(r"^#+ (.*)$", text, re.MULTILINE)
    }


def test_there_are_pages_to_look_at() -> None:
    assert {"README.md", "DEVELOPERS.md", "CHANGELOG.md"} <= {page.name for page in PAGES}
