"""The documentation: its Python runs as it stands, and its links lead somewhere."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PYTHON = re.compile(r"^```python\n(.*?)^```$", re.M | re.S)
LINK = re.compile(r"\]\(([^)#:]+)(?:#[^)]*)?\)")


# Other pages show pieces that need the reader's own files or devices.
WHOLE = ROOT / "docs" / "python.md"


@pytest.mark.parametrize("block", PYTHON.findall(WHOLE.read_text("utf-8")))
def test_python_blocks_run(block: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    exec(compile(block, WHOLE.name, "exec"), {"__name__": "documentation"})


@pytest.mark.parametrize(
    "page",
    [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))],
    ids=lambda page: str(page.relative_to(ROOT)),
)
def test_links_lead_somewhere(page: Path) -> None:
    for target in LINK.findall(page.read_text("utf-8")):
        assert (page.parent / target).exists(), f"{page.name} links to {target}, which is not there"
