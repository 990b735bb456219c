"""The papers say what the program does: commands, options, files and schema."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from holeinspect.cli import app
from holeinspect.report.schema import schema_text
from holeinspect.scale.readings import DATA_VARIABLE

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PAPERS = [README, DEVELOPERS, (ROOT / "sample_images" / "README.md").read_text(encoding="utf-8")]
COMMANDS = ("inspect", "references", "rims", "compare", "sides", "mat", "mat check", "camera learn", "camera show",
            "camera forget", "demo", "schema", "serve", "records copy")  # fmt: skip


def options(command: str) -> set[str]:
    """The long and short options of a command, as its parser has them; of the whole program for ''."""
    found = typer.main.get_command(app)
    for word in command.split():
        found = found.commands[word]  # type: ignore[attr-defined]
    return {name for parameter in found.params for name in parameter.opts if name.startswith("-")}


def code_lines(text: str) -> Iterator[str]:
    """Indented lines that call the program."""
    for line in text.splitlines():
        if re.match(r" {4,}\S", line) and re.search(r"(^|\s|/)holeinspect\s+[a-z]", line):
            yield from (piece.strip() for piece in line.split("&&") if re.match(r"\s*(\S*/)?holeinspect\s", piece))


def named_command(words: list[str]) -> str:
    pair = " ".join(words[1:3])
    return pair if pair in COMMANDS else words[1]


ALL_CALLS = sorted({line for text in PAPERS for line in code_lines(text)})


def test_there_are_calls_in_the_papers_to_check() -> None:
    assert len(ALL_CALLS) >= 8


@pytest.mark.parametrize("call", ALL_CALLS)
def test_every_call_in_the_papers_is_one_that_the_program_knows(call: str) -> None:
    words = shlex.split(call.split(">")[0])
    command = named_command(words)
    assert command in COMMANDS
    assert {word for word in words if word.startswith("-") and word != "-"} <= options(command)


@pytest.mark.parametrize("call", [call for call in code_lines(README) if "..." not in call])
def test_every_call_in_the_readme_is_understood(call: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No usage error and no bad length: what is missing is only the photo (or, for the demo, the samples)."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv(DATA_VARIABLE, str(tmp_path / "data"))
    words = shlex.split(call)[1:]
    if words[0] == "demo":
        words += ["--samples", "nowhere"]
    if words[0] == "serve":
        words += ["--help"]  # it would serve until it is stopped
    result = CliRunner().invoke(app, words)
    missing = re.search(r"There is no file \w+\.(jpg|json)|No samples in|There are no records in", result.stderr)
    assert result.exit_code == 0 or missing


def test_every_option_named_in_the_readme_exists() -> None:
    known = set().union(*(options(command) for command in COMMANDS), {"--version", "--help"})
    assert set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", README)) <= known


@pytest.mark.parametrize("command", COMMANDS)
def test_every_option_of_the_program_is_named_in_the_readme(command: str) -> None:
    told_elsewhere = {"--help", "--out", "-o", "--u", "--samples", "--bar-u"}  # in --help, where they are used
    assert options(command) - told_elsewhere <= set(re.findall(r"(?<![\w-])--?[a-z][a-z-]*", README))


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_a_help_page(command: str) -> None:
    shown = CliRunner().invoke(app, [*command.split(), "--help"])
    assert shown.exit_code == 0
    assert "Usage" in shown.stdout


def test_the_readme_holds_the_two_commands() -> None:
    assert "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/holeinspect demo --out demo" in README
    assert "python3 -m venv .venv && .venv/bin/pip install -e '.[dev]' && .venv/bin/pytest" in README


def test_the_readme_says_that_the_tool_does_not_approve() -> None:
    assert "It informs; it does not approve." in README
    assert "licensed inspector or the responsible builder decides" in " ".join(README.split())


@pytest.mark.parametrize("paper", PAPERS, ids=["README", "DEVELOPERS", "samples"])
def test_no_paper_names_a_machine_path(paper: str) -> None:
    assert not re.search(r"/(?:work|tmp|home)/", paper)


@pytest.mark.parametrize("target", sorted(set(re.findall(r"\]\(([^)#:]+)\)", README + DEVELOPERS))))
def test_every_file_that_the_papers_link_to_exists(target: str) -> None:
    assert (ROOT / target).exists()


def test_every_module_named_by_the_developers_page_exists() -> None:
    for path in re.findall(r"`((?:holeinspect|tests|benchmarks|sample_images|docs)/[\w./]*)`", DEVELOPERS):
        assert (ROOT / path).exists(), path


def test_the_published_schema_is_current() -> None:
    assert (ROOT / "docs" / "inspection.schema.json").read_text(encoding="utf-8") == schema_text()
