"""Description -> rules, a case a file in tests/golden/compile.

Each file says what the case is about, then a piece of description, then the rules it becomes.
``PYTHONPATH=generator:tests python -m golden.test_golden_compile`` writes what they become now;
read the difference.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from seatwright.plan import NodeKey, PlannedRule, RuleSet
from seatwright.planning import make_plan
from seatwright.policy.proofs import plain
from seatwright.policy.words import class_words, id_words, rule_words
from seatwright.site.allocations import Allocations
from seatwright.usb.filter import format_rules
from sites import site_of

CASES = Path(__file__).parent / "compile"
BLOCKS = re.compile(
    r"```yaml\n(?P<yaml>.*?)```\n(?P<between>.*)```rules\n(?P<rules>.*?)```\n", re.DOTALL
)

AROUND = """
hosts: {quay: {address: quay, listen: "::"}}
rooms: {reading-room: {policy: readers, model: ridge, host: quay, seats: [rr-01]}}
"""


def compiled(text: str, folder: Path) -> str:
    """All lists of the one rule set of a piece of description."""
    plan = make_plan(site_of(folder, text + AROUND), Allocations()).plan
    (rules,) = plan.rules.values()
    return "\n\n".join("\n".join(part) for part in parts(rules)) + "\n"


def parts(rules: RuleSet) -> Iterator[list[str]]:
    redirect = rule_lines(rules.redirect)
    yield ["redirect", *redirect]
    yield ["permitted", *like(redirect, rule_lines(rules.permitted))]
    yield ["device nodes", *map(node_line, rules.nodes)]
    for socket in rules.sockets:
        where = f"{socket.label}, at {' and '.join(socket.ports)}"
        own = rule_lines(socket.redirect)
        yield [f"redirect {where}", *own]
        yield [f"permitted {where}", *like(own, rule_lines(socket.permitted))]
        yield [f"device nodes {where}", *map(node_line, socket.nodes)]
    yield ["host", *like(rule_lines(rules.permitted), rule_lines(rules.host), "permitted")]


def like(first: list[str], second: list[str], name: str = "redirect") -> list[str]:
    """The second list, or that it is the first."""
    return [f"  as {name}"] if first == second else second


def rule_lines(rules: Sequence[PlannedRule]) -> list[str]:
    return [
        f"  {format_rules(plain([rule])):<30}{rule_words(rule)}\n"
        f"  {'':<30}{'protects' if rule.protects else 'because of'} {rule.origin}"
        for rule in rules
    ]


def node_line(key: NodeKey) -> str:
    classes = ", ".join(map(class_words, key.classes)) or "nothing"
    opens = f"opened unless {classes}" if key.inverted else f"opened if only {classes}"
    closed = not key.classes and not key.inverted
    return f"  {id_words(key.vendor, key.product, key.bcd_device)}: {'closed' if closed else opens}"


@pytest.mark.parametrize("case", sorted(CASES.glob("*.md")), ids=lambda case: case.stem)
def test_a_description_becomes_these_rules(case: Path, tmp_path: Path) -> None:
    found = BLOCKS.search(case.read_text(encoding="utf-8"))
    assert found is not None, "a case has a yaml and a rules block"
    assert compiled(found["yaml"], tmp_path) == found["rules"]


def update() -> None:
    """Write into every case what its description becomes now."""
    import tempfile

    for case in sorted(CASES.glob("*.md")):
        text = case.read_text(encoding="utf-8")
        found = BLOCKS.search(text)
        assert found is not None, case
        with tempfile.TemporaryDirectory() as folder:
            rules = compiled(found["yaml"], Path(folder))
        case.write_text(text[: found.start("rules")] + rules + text[found.end("rules") :], "utf-8")


if __name__ == "__main__":
    update()
