"""What the documentation shows is what the program does today."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from docs.consoles import FENCE, bench, play, rewrite
from docs.consoles import Command as Typed

from docs.reference import PAGES, all_commands, help_of

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
GENERATED = {DOCS / "reference" / name for name in PAGES}
WRITTEN = sorted(set(DOCS.rglob("*.md")) - GENERATED)
ALL = [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "CHANGELOG.md", *DOCS.rglob("*.md")]
REFRESH = "run: python tests/docs/refresh.py"


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("page", WRITTEN, ids=name_of)
def test_console_blocks_print_what_they_show(page: Path, tmp_path: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert rewrite(text, tmp_path) == text, REFRESH


@pytest.mark.parametrize("name", PAGES)
def test_generated_pages_are_current(name: str) -> None:
    assert (DOCS / "reference" / name).read_text(encoding="utf-8") == PAGES[name](), REFRESH


@pytest.mark.parametrize("page", WRITTEN, ids=name_of)
def test_no_command_stands_where_it_is_not_run(page: Path) -> None:
    for block in FENCE.finditer(page.read_text(encoding="utf-8")):
        if block["info"] != "console":
            assert not re.search(r"^\s*(\$ )?swapinfer ", block["body"], re.MULTILINE), block[0]


@pytest.mark.parametrize("page", ALL, ids=name_of)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", page.read_text(encoding="utf-8")):
        path, _, anchor = target.partition("#")
        if "://" in target:
            continue
        linked = (page.parent / path).resolve() if path else page
        assert linked.exists(), target
        if anchor:
            headings = re.findall(r"^#+ (.+)$", linked.read_text(encoding="utf-8"), re.MULTILINE)
            slugs = [re.sub(r"[^\w\- ]", "", h.lower()).replace(" ", "-") for h in headings]
            assert anchor in slugs, target


@pytest.mark.parametrize("words", all_commands(), ids=" ".join)
def test_every_command_has_help_with_an_example(words: tuple[str, ...]) -> None:
    assert f"Example: swapinfer {' '.join(words)}" in " ".join(help_of(words).split())


README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_job_in_the_readme_runs(tmp_path: Path) -> None:
    lines = re.findall(r"^    (swapinfer .+)$", README, re.MULTILINE)
    assert len(lines) >= 10
    with bench(tmp_path):
        for line in lines:
            told = play(Typed(line))
            assert "(exit code" not in told, (line, told)


def test_the_python_example_in_the_readme_runs(capsys: pytest.CaptureFixture[str]) -> None:
    (example,) = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    exec(compile(example, "README.md", "exec"), {})  # noqa: S102  our own page
    told = capsys.readouterr().out
    assert "coil3" in told.splitlines()[1]
    assert len(told.strip().splitlines()) == 7
