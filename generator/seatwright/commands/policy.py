"""``seatwright policy``: filter strings from elsewhere, turned into policy lines."""

from __future__ import annotations

import json
import sys

import click

from seatwright.commands.common import Refused, Status
from seatwright.findings.words import printable
from seatwright.usb.filter import FilterError, Rule, parse_rules

ALIKE = "These lines decide as the rules do, proved at every class, id and bcdDevice."
NOT_ALIKE = "These lines do not decide as the rules do everywhere:"

SHOWN = 70
"""Characters of a string that are shown around a place in it."""


@click.group()
def command() -> None:
    """Work on policies outside a site."""


@command.command("from-rules")
@click.option("--redirect", metavar="STRING", help="What goes to the guest by itself.")
@click.option("--permitted", metavar="STRING", help="What may go at all: the rest is offered.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def from_rules(redirect: str | None, permitted: str | None, as_json: bool) -> int:
    """Print policy lines that decide as usbredir filter strings do.

    \b
    Rules are "class,vendor,product,version,allow" with "|" between them, the first match decides
    (":" for "," is taken too); "-" reads a string from standard input.
      seatwright policy from-rules --redirect "0x08,-1,-1,-1,1|-1,-1,-1,-1,0"

    That the lines decide alike is proved at every class, id and bcdDevice; where lines cannot
    say what an order of rules says, the place is named and the exit status is 1. Socket and
    onboard rules of a site come on top. The strings' programs may have decided without the strict
    flag, which skips 3/0/0 HID interfaces; a seat's session decides strictly.
    """
    from seatwright.policy import from_rules as conversion
    from seatwright.policy.algebra import TooLarge
    from seatwright.policy.from_rules_words import as_values, comment, notes, policy_text, sentences

    given = {"redirect": redirect, "permitted": permitted}
    strings = {name: _rules(name, text) for name, text in given.items() if text is not None}
    if not strings:
        raise Refused("No rules were given.", "Give --redirect, --permitted or both.")
    try:
        found = conversion.from_rules(strings.get("redirect"), strings.get("permitted"))
    except TooLarge as error:
        raise Refused(f"{error}.", error.hint) from None
    if as_json:
        click.echo(json.dumps(as_values(found, strings), indent=2, ensure_ascii=False))
    else:
        said = sentences(found, strings)
        click.echo(f"# {NOT_ALIKE if found.differences else ALIKE}")
        for text in comment((*said, *notes(found))):
            click.echo(text)
        click.echo(policy_text(found.lines) or "keep: [everything]\n", nl=False)
    return Status.FINDINGS if found.differences else Status.FINE


def _rules(name: str, text: str) -> tuple[Rule, ...]:
    """The rules of a string; Refused with the place in it."""
    if text == "-":
        text = sys.stdin.read().removesuffix("\n")
    separator = ":" if ":" in text and "," not in text else ","
    try:
        return parse_rules(text, separator)
    except FilterError as error:
        start = max(0, error.offset - SHOWN // 2)
        shown = printable(text[start : start + SHOWN])
        caret = " " * len(printable(text[start : error.offset]))
        message = f"--{name}, rule {error.rule + 1}: {error.message}"
        raise Refused(f"{message}\n    {shown}\n    {caret}^", error.hint) from None
