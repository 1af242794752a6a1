"""The command line: statuses, streams, and errors without a traceback."""

from __future__ import annotations

import importlib
import io
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import click
import pytest
import yaml

from seatwright.commands import main as command_line
from seatwright.commands.common import Options, Refused, Status, working
from seatwright.site.read import read_site

ROOT = Path(__file__).parents[2]


def run(*words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the program as a person would, from the root of the repository."""
    env = {**os.environ, "PYTHONPATH": str(ROOT / "generator"), **environment}
    argv = [sys.executable, "-m", "seatwright", *words]
    return subprocess.run(argv, capture_output=True, text=True, cwd=ROOT, env=env, check=False)


def test_help_says_the_verbs_and_the_statuses() -> None:
    done = run("--help")
    assert (done.returncode, done.stderr) == (0, "")
    for verb, said in command_line.VERBS.items():
        assert f"{verb} " in done.stdout
        assert said.help.split()[0] in done.stdout
    for status in Status:
        assert f"{status.value}" in done.stdout


@pytest.mark.parametrize("verb", list(command_line.VERBS))
def test_every_verb_has_its_module_and_its_help(verb: str) -> None:
    module = importlib.import_module(f"seatwright.commands.{command_line.VERBS[verb].module}")
    assert isinstance(module.command, click.Command)
    assert module.command.help


def test_start_up_loads_no_verb_and_nothing_heavy() -> None:
    code = "import sys, seatwright.commands.main; print(*sys.modules)"
    env = {**os.environ, "PYTHONPATH": str(ROOT / "generator")}
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=env, check=True
    ).stdout.split()
    assert not {"yaml", "jinja2", "msgspec", "rich.console", "seatwright.site.read"} & set(loaded)


def test_version() -> None:
    assert run("--version").stdout.startswith("seatwright 0.")


def test_a_check_says_what_it_did_not_come_to(tmp_path: Path) -> None:
    (tmp_path / "site.yml").write_text("seatwright: 1\nsettinsg: {}\n", encoding="utf-8")
    done = run("check", str(tmp_path))
    assert done.returncode == 2 and 'Did you mean "settings"?' in done.stdout
    assert "proved once the errors are mended" in done.stderr


@pytest.mark.parametrize(
    "words", [["nonsense"], ["--nonsense"], ["schema"], ["schema", "nonsense"]]
)
def test_usage_errors(words: list[str]) -> None:
    done = run(*words)
    assert (done.returncode, done.stdout) == (2, "")
    assert "Usage" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["chek"], 'There is no verb "chek". Did you mean check?'),
        (["check", "x", "--fail_on", "note"], "--fail-on"),
        (["render", "nosuch"], "seatwright: There is no nosuch.\nhint: Name a site's file"),
        (["review", "nosuch"], '"nosuch" is neither a directory nor a revision'),
    ],
)
def test_a_misspelt_word_is_answered_with_what_is_right(words: list[str], said: str) -> None:
    done = run(*words)
    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def on_a_terminal(*words: str, **environment: str) -> bytes:
    """What the program prints where stdout is a terminal."""
    env = {**os.environ, "PYTHONPATH": str(ROOT / "generator"), "TERM": "xterm", **environment}
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "seatwright", *words], stdout=theirs, cwd=ROOT, env=env
    ) as process:
        os.close(theirs)
        said = b""
        while True:
            try:
                more = os.read(ours, 65536)
            except OSError:  # Linux' word for the end of a terminal
                break
            if not more:
                break
            said += more
    os.close(ours)
    assert process.returncode == 1, said
    return said


@pytest.mark.parametrize(
    ("words", "environment", "coloured"),
    [
        ([], {"NO_COLOR": ""}, True),
        ([], {"NO_COLOR": "1"}, False),
        (["--no-color"], {"NO_COLOR": ""}, False),
        ([], {"NO_COLOR": "", "TERM": "dumb"}, False),
    ],
)
def test_colours_on_a_terminal_unless_somebody_says_no(
    words: list[str], environment: dict[str, str], coloured: bool
) -> None:
    check = ["check", "inventories/fennmoor", "--fail-on", "note"]
    assert (b"\x1b[" in on_a_terminal(*words, *check, **environment)) == coloured


def test_the_hooks_for_pre_commit_name_verbs_and_options_that_there_are() -> None:
    hooks = yaml.safe_load((ROOT / ".pre-commit-hooks.yaml").read_text(encoding="utf-8"))
    assert {hook["id"] for hook in hooks} == {"seatwright-check", "seatwright-render"}
    for hook in hooks:
        program, *words = hook["entry"].split()
        assert program == "seatwright"
        assert re.search(hook["files"], "inventories/fennmoor/rooms/staff.yml")
        done = run(*words, "--help")
        assert done.returncode == 0, done.stderr


def test_completion() -> None:
    words = {"COMP_WORDS": "seatwright sch", "COMP_CWORD": "1"}
    done = run(**words, _SEATWRIGHT_COMPLETE="bash_complete")
    assert "schema" in done.stdout


def test_new_writes_a_site_that_reads(tmp_path: Path) -> None:
    folder = tmp_path / "inventories" / "my-first-site"
    done = run("new", str(folder))
    assert done.returncode == 0
    reading = read_site(folder)
    assert reading.findings == ()
    assert reading.site is not None
    assert reading.site.title == "My First Site"
    assert run("render", str(folder)).returncode == 0


@pytest.mark.parametrize("folder", ["elsewhere", "inventories", "inventories/{{x}}"])
def test_new_writes_nothing_where_it_could_not_be_rendered(tmp_path: Path, folder: str) -> None:
    done = run("new", str(tmp_path / folder))
    assert (done.returncode, done.stdout) == (2, "")
    assert "hint: Give inventories/<name>" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_new_overwrites_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "inventories" / "library"
    folder.mkdir(parents=True)
    (folder / "site.yml").write_text("mine\n")
    done = run("new", str(folder))
    assert done.returncode == 2
    assert "is there already" in done.stderr
    assert (folder / "site.yml").read_text() == "mine\n"


def test_schema_to_a_file(tmp_path: Path) -> None:
    done = run("schema", "site", "--output", str(tmp_path / "site.json"))
    assert (done.returncode, done.stdout) == (0, "")
    assert (tmp_path / "site.json").read_text() == run("schema", "site").stdout


def test_an_error_of_the_machine_is_one_line(tmp_path: Path) -> None:
    done = run("schema", "site", "--output", str(tmp_path / "none" / "x.json"))
    assert done.returncode == 2
    assert done.stderr == f"seatwright: {tmp_path}/none/x.json: No such file or directory\n"


def test_output_to_a_closed_pipe() -> None:
    env = {**os.environ, "PYTHONPATH": str(ROOT / "generator")}
    argv = [sys.executable, "-m", "seatwright", "schema", "site"]
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        argv, stdout=writer, stderr=subprocess.PIPE, text=True, env=env, check=False
    )
    os.close(writer)
    assert (done.returncode, done.stderr) == (Status.PIPE_CLOSED, "")


RAISED = [
    (Refused("No.", "Do this.", Status.MISSING), 3, "seatwright: No.\nhint: Do this.\n"),
    (KeyboardInterrupt(), 130, "Interrupted."),
    (OSError(28, "No space left on device", "/x"), 2, "seatwright: /x: No space left on device\n"),
    (ZeroDivisionError("division"), 2, "this should not happen: ZeroDivisionError"),
    (click.exceptions.Exit(1), 1, ""),
]


@pytest.mark.parametrize(
    ("raised", "status", "said"), RAISED, ids=lambda value: type(value).__name__
)
@pytest.mark.parametrize("traceback", [False, True])
def test_what_a_verb_raises(
    raised: BaseException, status: int, said: str, traceback: bool,
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    @click.command()
    def failing() -> None:
        raise raised

    monkeypatch.setattr(command_line.Verbs, "get_command", lambda *_: failing)
    words = ["--traceback", "failing"] if traceback else ["failing"]
    assert command_line.main(words) == status
    err = capsys.readouterr().err
    assert said in err
    wanted = traceback and not isinstance(raised, KeyboardInterrupt | click.exceptions.Exit)
    assert ("Traceback" in err) == wanted


def test_what_a_terminal_cannot_show_is_escaped() -> None:
    done = run("new", "/dev/null/é", PYTHONIOENCODING="ascii")
    assert (done.returncode, "Traceback" in done.stderr) == (2, False)


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("stream", "shown"), [(Terminal, True), (io.StringIO, False)])
def test_long_work_is_shown_at_a_terminal_only(
    monkeypatch: pytest.MonkeyPatch, stream: type[io.StringIO], shown: bool
) -> None:
    monkeypatch.setenv("TERM", "xterm")
    written = stream()
    monkeypatch.setattr(sys, "stderr", written)
    with click.Context(click.Command("check"), obj=Options()), working("Proving"):
        pass
    assert ("Proving" in written.getvalue()) == shown
