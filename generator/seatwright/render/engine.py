"""The template engine: Jinja with delimiters of its own, and no way past the quoting.

``[[ ]]``, ``[% %]`` and ``[# #]`` leave ``{{ }}`` to Ansible.  A name that is not known is an
error.  What an expression puts into a file has to be a number, a plain name or have come through
one of the filters in :mod:`seatwright.render.quote`; all else is an error and not a file, so no
template can forget to quote.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Undefined
from jinja2.exceptions import TemplateError

from seatwright.render.errors import RenderError
from seatwright.render.quote import FILTERS, FreeText, Quoted

E = TypeVar("E", bound=Environment)

SUFFIX = ".in"
"""Ends the name of a file that is rendered; the others below ``templates/`` are copied."""

PLAIN_NAME = re.compile(r"[A-Za-z0-9_]([A-Za-z0-9._/-]*[A-Za-z0-9_])?|")
"""Text that means itself in every language we write."""


class UnquotedError(RenderError):
    """A template puts text into a file that it did not quote: an error in the template."""


def templates() -> Path:
    """Where the templates are: beside the program when installed, else in the repository."""
    package = Path(__file__).resolve().parent.parent
    installed = package / "_templates"
    return installed if installed.is_dir() else package.parent.parent / "templates"


@cache
def environment() -> Environment:
    """The one environment; compiled templates stay in it."""
    return environment_of(Environment, loader=FileSystemLoader(templates()), auto_reload=False)


def environment_of(kind: type[E], **more: Any) -> E:
    """An environment with our delimiters and filters, in which nothing is written unquoted."""
    made = kind(
        variable_start_string="[[",
        variable_end_string="]]",
        block_start_string="[%",
        block_end_string="%]",
        comment_start_string="[#",
        comment_end_string="#]",
        undefined=StrictUndefined,
        keep_trailing_newline=True,
        trim_blocks=True,
        lstrip_blocks=True,
        autoescape=False,  # HTML's rules would be the wrong ones; see only_quoted
        finalize=only_quoted,
        **more,
    )
    made.filters.update(FILTERS)
    return made


def only_quoted(value: object) -> object:
    """Let through what an expression may put into a file."""
    if isinstance(value, Quoted) or type(value) is int:
        return value
    if isinstance(value, Undefined):
        return str(value)  # raises what is missing
    if isinstance(value, str) and not isinstance(value, FreeText) and PLAIN_NAME.fullmatch(value):
        return value
    raise UnquotedError(
        f"a template writes {value!r} without quoting it", "send it through a filter"
    )


def render(name: str, /, **values: object) -> bytes:
    """The template ``name`` (path below ``templates/``) with ``values``; UTF-8.

    Raises RenderError: the template is wrong, or a value cannot be quoted.
    """
    try:
        return environment().get_template(name).render(values).encode()
    except TemplateError as error:
        raise RenderError(f"the template {name} is wrong: {error}") from error
    except UnicodeEncodeError as error:
        raise RenderError(f"{name}: text that is no Unicode text ({error.reason})") from error
