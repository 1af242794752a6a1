"""The template engine lets nothing into a file that was not quoted."""

from __future__ import annotations

from pathlib import Path

import pytest
from jinja2 import DictLoader

from seatwright.render import engine
from seatwright.render.engine import UnquotedError, environment, render, templates
from seatwright.render.errors import RenderError
from seatwright.render.quote import FreeText, Quoted, yaml


@pytest.fixture
def one(monkeypatch: pytest.MonkeyPatch) -> object:
    """Render a text as if it were a template."""
    made = environment().overlay()

    def rendered(text: str, **values: object) -> str:
        made.loader = DictLoader({"x": text})
        monkeypatch.setattr(engine, "environment", lambda: made)
        made.cache.clear()
        return render("x", **values).decode()

    return rendered


def test_delimiters_leave_ansible_its_own(one) -> None:  # type: ignore[no-untyped-def]
    assert one("{{ a }} {% b %} {# c #}[# d #][% if e %][[ f ]][% endif %]\n\n", e=1, f="g") == (
        "{{ a }} {% b %} {# c #}g\n"
    )


@pytest.mark.parametrize("value", ["name", "a-b.c/d_e", "x1", "", 12, Quoted("a b: {")])
def test_names_numbers_and_quoted_text_pass(one, value: object) -> None:  # type: ignore[no-untyped-def]
    assert one("[[ x ]]", x=value) == str(value)


@pytest.mark.parametrize(
    "value",
    [
        "a b",
        "a:",
        "-a",
        "a\nb",
        "{{x}}",
        "é",
        FreeText("name"),
        True,
        None,
        1.5,
        ["a"],
        {"a": 1},
        b"x",
    ],
)
def test_all_else_is_an_error_of_the_template(one, value: object) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(UnquotedError):
        one("[[ x ]]", x=value)


def test_joining_is_no_way_around(one) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(UnquotedError):
        one("[[ x ~ '; ' ~ x ]]", x=yaml("a b"))
    with pytest.raises(UnquotedError):
        one("[[ x | upper ]]", x="a b")


def test_a_misspelt_name_is_an_error(one) -> None:  # type: ignore[no-untyped-def]
    for text in ("[[ nmae ]]", "[[ x.nmae ]]", "[% if nmae %][% endif %]", "[[ x"):
        with pytest.raises(RenderError, match="the template x is wrong"):
            one(text, x=Quoted("a"))


def test_every_template_can_be_read() -> None:
    names = [name for name in environment().list_templates() if name.endswith(".in")]
    assert len(names) > 8
    for name in names:
        environment().get_template(name)


def test_no_template_is_taken_for_a_file_to_copy() -> None:
    """A file with our delimiters and without the suffix would be copied as it is."""
    for path in templates().rglob("*.yml"):
        assert "[% " not in path.read_text(), path
    assert Path(templates() / "ansible.cfg").is_file()
