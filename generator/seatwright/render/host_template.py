"""A site's own template for guests on a kind of host that is not known here.

It is Jinja with this program's delimiters (``[[ ]]``, ``[% %]``, ``[# #]``), in Jinja's sandbox,
with one variable, ``guest``.  As in every template here a name that is not known is an error, and
what is no number or plain name goes through a filter that quotes it for the language it lands in.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from jinja2 import Template, TemplateSyntaxError
from jinja2.exceptions import TemplateError
from jinja2.sandbox import ImmutableSandboxedEnvironment

from seatwright.plan import Plan, PlannedGuest
from seatwright.policy.proofs import plain
from seatwright.render.engine import environment_of
from seatwright.render.errors import RenderError
from seatwright.usb.filter import format_rules


@dataclass(frozen=True, slots=True)
class Wrong(Exception):
    """What is wrong with a template, and in which of its lines, where that is known."""

    message: str
    line: int | None = None


def fill(text: str, plan: Plan, guest: PlannedGuest) -> str:
    """A guest's text. Raises Wrong."""
    try:
        return _compiled(text).render(guest=guest_value(plan, guest))
    except TemplateSyntaxError as error:
        raise Wrong(error.message or str(error), error.lineno) from error
    except (TemplateError, RenderError) as error:
        raise Wrong(str(error), _line(error)) from error
    except (TypeError, ValueError, ArithmeticError, LookupError) as error:
        raise Wrong(f"{type(error).__name__}: {error}", _line(error)) from error


def _line(error: BaseException) -> int | None:
    """The last line of the template that was being worked on: Jinja gives its frames those."""
    line = None
    trace = error.__traceback__
    while trace is not None:
        if trace.tb_frame.f_code.co_filename == "<template>":
            line = trace.tb_lineno
        trace = trace.tb_next
    return line


@lru_cache(16)
def _compiled(text: str) -> Template:
    """Once for all guests of a host."""
    return environment_of(ImmutableSandboxedEnvironment).from_string(text)


def guest_value(plan: Plan, guest: PlannedGuest) -> dict[str, Any]:
    """What a template may ask of ``guest``; the plan's own words."""
    host, rules = plan.hosts[guest.host], plan.rules[guest.rules].host
    return {
        "name": guest.name,
        "seat": guest.seat,
        "host": host.name,
        "listen": host.listen,
        "spice_port": guest.spice_port,
        "filter": format_rules(plain(rules)),
        "rules": [
            {
                "class": one.usb_class,
                "vendor": one.vendor,
                "product": one.product,
                "version": one.version,
                "allow": one.allow,
            }
            for one in rules
        ],
        "controllers": [
            {"index": one.index, "kind": one.kind, "ports": one.ports} for one in guest.controllers
        ],
        "ports": [{"number": p.number, "bus": p.bus, "port": p.port} for p in guest.ports],
    }
