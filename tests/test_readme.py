"""What the documents show is what happens: links lead somewhere, and commands print what they say.

The commands of the README are run as they stand there, except those that wait for somebody.  Their
output is compared without its numbers, which move whenever the firmware is tuned; `...` in the
README stands for anything.
"""

import re
import shlex
from pathlib import Path

import pytest

from hostsim.cli import main

ROOT = Path(__file__).resolve().parent.parent
DOCUMENTS = sorted(
    path
    for path in ROOT.rglob("*.md")
    if not any(part.startswith(".") for part in path.relative_to(ROOT).parts)
)
README = (ROOT / "README.md").read_text(encoding="utf-8")
TRIED = ("size", "check", "dispense", "bundle", "replay", "plan")


def sessions() -> list[tuple[str, str]]:
    """Each `tallywheel` command of the README that ends by itself, and what it is said to print."""
    setup = r"```sh\n.*?&& \.venv/bin/(tallywheel .*?)\n```\n```\n(.*?)```"
    console = r"(?:```console\n|(?<=\n))\$ (tallywheel .*?)\n(.*?)(?=```|\$ tallywheel)"
    found = re.findall(setup, README, re.S) + re.findall(console, README, re.S)
    return [each for each in found if each[0].split()[1] in TRIED]


def without_numbers(text: str) -> str:
    """Digits, and the spaces and rules whose number depends on them, as one sign each."""
    return re.sub(r" +|-{2,}", " ", re.sub(r"[0-9a-f]*\d[0-9a-f.]*", "#", text))


def pattern(shown: str) -> str:
    """A pattern for output as it is shown, where `...` stands for anything."""
    return ".*".join(map(re.escape, without_numbers(shown.rstrip()).split("...")))


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_links_lead_to_what_is_there(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#][^)]*)\)", text):
        if "://" not in target:
            assert (path.parent / target.partition("#")[0]).exists(), target


def test_links_within_the_readme_lead_to_a_heading() -> None:
    headings = re.findall(r"^#+ (.*)$", README, re.M)
    anchors = {re.sub(r"[^\w -]", "", title).lower().replace(" ", "-") for title in headings}
    wanted = re.findall(r"\]\(#([^)]*)\)", README)
    assert wanted
    assert set(wanted) <= anchors


def test_the_commands_of_the_readme_print_what_it_shows(tmp_path, monkeypatch, capsys) -> None:
    (tmp_path / "configs").symlink_to(ROOT / "configs")
    monkeypatch.chdir(tmp_path)
    told = sessions()
    assert {command.split()[1] for command, _ in told} >= {"dispense", "replay"}
    for command, shown in told:
        assert main(shlex.split(command)[1:]) == 0, command
        printed = capsys.readouterr().out.rstrip()
        assert re.fullmatch(pattern(shown), without_numbers(printed), re.S), (command, printed)
