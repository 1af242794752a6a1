"""What comes out of each quoting filter is read back, by that language's own reader, as it was.

A value that a language cannot say is refused; nothing in between.
"""

from __future__ import annotations

import configparser
import ctypes
import shlex
from collections.abc import Callable
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st

from seatwright.render import quote
from seatwright.render.errors import QuoteError

HOSTILE = (
    "",
    " ",
    "a 'b' \"c\" `d`",
    "two\nlines",
    "carriage\rreturn",
    "tab\there",
    "ends in a backslash\\",
    "{{ lookup('pipe', 'id') }}",
    "{% raw %}{# x #}",
    "[[ x ]] [% y %] [# z #]",
    "$(id) ${HOME} $$ `id`",
    "%n %% %h 100%",
    "../../etc/passwd",
    "</script><b>&amp;",
    "]]> --> <!-- <?x",
    "# no comment ; nor this",
    "key: value, [a, b] {c: d} &x *x !tag | >",
    "- list",
    "yes",
    "012",
    "1e3",
    "~",
    "--flag",
    "*?[]|",
    "Grüße, 机, 🎞️ \U0001f9d1\u200d\U0001f4bb",
    "\u202eright to left\u202c \u2066x\u2069",
    "\u2028 line \u2029 paragraph \x85 next",
    "\ufeffmark",
    "\0 nothing",
    "\x1b[31mred",
)

texts = st.text(alphabet=st.characters(codec="utf-8"), max_size=40)
lone = st.sampled_from(["\ud800", "a\udfffb"])


def hostile(function: Callable[[str], None]) -> Callable[[], None]:
    """Run over random text, every hostile one and lone surrogates."""
    for text in HOSTILE:
        function = example(text)(function)
    return settings(max_examples=60)(given(st.one_of(texts, lone))(function))


def quoted(filter_: Callable[[str], quote.Quoted], text: str) -> str | None:
    """The text quoted; None where it is refused, which has to say what is wrong."""
    try:
        return filter_(text)
    except QuoteError as error:
        assert error.message
        return None


@hostile
def test_yaml_string(text: str) -> None:
    found = quoted(quote.yaml_string, text)
    if found is None:
        assert any("\ud800" <= character <= "\udfff" for character in text)
        return
    assert "\n" not in found
    assert yaml.safe_load(found) == text
    assert yaml.safe_load(f"{{a: {found}, b: [{found}]}} # x") == {"a": text, "b": [text]}


@hostile
def test_free_text_in_yaml(text: str) -> None:
    found = quoted(lambda one: quote.yaml(quote.FreeText(one)), text)
    if found is not None:
        assert found.startswith("!unsafe ") or not quote.TEMPLATE_SIGNS.search(text)
        assert yaml.safe_load(found.removeprefix("!unsafe ")) == text


@hostile
def test_yaml_shows_what_nobody_would_see(text: str) -> None:
    found = quoted(quote.yaml_string, text)
    assert found is None or not quote.HIDDEN.search(found)


@given(st.recursive(st.none() | st.booleans() | st.integers() | texts, lambda one: st.lists(one)))
def test_yaml_values(value: object) -> None:
    class Loader(yaml.SafeLoader):
        """Takes !unsafe for what it is: text."""

    Loader.add_constructor("!unsafe", lambda loader, node: loader.construct_scalar(node))
    assert yaml.load(quote.yaml(value), Loader) == value


@hostile
def test_yaml_comment_stays_one_comment(text: str) -> None:
    found = quoted(quote.yaml_comment, text)
    assert found is not None
    found.encode()
    assert yaml.safe_load(f"a: 1  # {found}\nb: 2\n") == {"a": 1, "b": 2}


@hostile
def test_shell(text: str) -> None:
    found = quoted(quote.shell, text)
    if found is None:
        assert "\0" in text
    else:
        assert shlex.split(f"echo {found} end") == ["echo", text, "end"]


@hostile
def test_xml(text: str) -> None:
    content, attribute = quoted(quote.xml_text, text), quoted(quote.xml_attribute, text)
    assert (content is None) == (attribute is None)
    if content is None or attribute is None:
        with pytest.raises((ElementTree.ParseError, UnicodeEncodeError)):
            ElementTree.fromstring(f"<a>{text.replace('<', '').replace('&', '')}</a>")
        return
    tree = ElementTree.fromstring(f"<a b={attribute}>{content}</a>")
    assert (tree.text or "") == text
    assert tree.get("b") == text


@hostile
def test_ini(text: str) -> None:
    found = quoted(quote.ini, text)
    if found is None:
        return
    for interpolation in (None, configparser.BasicInterpolation()):
        parser = configparser.ConfigParser(
            inline_comment_prefixes=(";", "#"), interpolation=interpolation
        )
        parser.read_string(f"[s]\na = {found}\nb = 1\n")
        assert dict(parser["s"]) == {"a": text, "b": "1"}


class Reader(HTMLParser):
    """Collects text and the attribute ``b``."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.text, self.attribute, self.tags = "", "", 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags += 1
        self.attribute = dict(attrs)["b"] or ""

    def handle_data(self, data: str) -> None:
        self.text += data


@hostile
def test_html(text: str) -> None:
    found = quoted(quote.html, text)
    if found is None:
        assert "\0" in text or any("\ud800" <= one <= "\udfff" for one in text)
        return
    reader = Reader()
    reader.feed(f'<p b="{found}">{found}</p>')
    reader.close()
    assert (reader.text, reader.attribute, reader.tags) == (text, text, 1)


@hostile
def test_udev_match_is_a_pattern_for_itself_alone(text: str) -> None:
    """udev compares with fnmatch(3), after its own reader has cut the quotes off (udev(7))."""
    found = quoted(quote.udev_match, text)
    if found is None:
        return
    assert found[0] == found[-1] == '"'
    pattern = found[1:-1]
    assert '"' not in pattern and "\n" not in pattern and "|" not in pattern
    libc = ctypes.CDLL(None)
    assert libc.fnmatch(pattern.encode(), text.encode(), 0) == 0
    assert pattern == text


@hostile
def test_udev_value_has_nothing_to_substitute(text: str) -> None:
    found = quoted(quote.udev_value, text)
    if found is None:
        return
    inner = found[1:-1]
    assert '"' not in inner and "\\" not in inner and "\n" not in inner
    assert inner.replace("$$", "").count("$") == inner.replace("%%", "").count("%") == 0
    assert inner.replace("$$", "$").replace("%%", "%") == text


@hostile
def test_markdown_is_one_line_without_signs(text: str) -> None:
    found = quoted(quote.markdown, text)
    assert found is not None
    found.encode()
    assert "\n" not in found and "<" not in found and ">" not in found
    bare = found.replace("\\\\", "").replace("\\|", "").replace("\\`", "").replace("\\[", "")
    assert not set(bare) & set("|`[")


def test_plain_words_only_where_yaml_reads_them_as_text() -> None:
    for word in ("rr-01", "xhci", "if-idle", "quay.fennmoor.example"):
        assert quote.yaml(word) == word
    for word in ("yes", "no", "on", "null", "01", "1e3", "2-3.4", "0x1", "ff", "a b", "", "~", "-"):
        assert quote.yaml(word) == f'"{word}"'


def test_free_text_is_marked_whatever_it_says() -> None:
    assert quote.yaml(quote.FreeText("Reading Room")) == '!unsafe "Reading Room"'
    assert quote.yaml(quote.FreeText("12")) == '"12"', 'Ansible takes !unsafe "12" for a number'
    assert quote.yaml("{{ x }}") == '!unsafe "{{ x }}"'


def test_numbers_in_hexadecimal() -> None:
    line = quote.yaml([quote.Hex(8, 2), quote.Hex(-1, 4), quote.Hex(0x1209, 4)])
    assert line == "[0x08, -1, 0x1209]"
    assert yaml.safe_load(line) == [8, -1, 0x1209]
