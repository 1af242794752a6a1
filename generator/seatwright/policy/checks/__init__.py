"""The checks of a plan: a table of them, each in a file of its own.

A check looks at a plan through :class:`seatwright.policy.proofs.Proofs` and yields a problem for
everything it has to say.  Nothing is sampled: where a check says nothing, there is nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from seatwright.capacity.checks import link_checks
from seatwright.capacity.host_kinds import host_kinds
from seatwright.findings.problem import Problem
from seatwright.plan import Plan
from seatwright.policy.checks.blind import blind_layers
from seatwright.policy.checks.classwide import class_wide
from seatwright.policy.checks.guests import guest_systems
from seatwright.policy.checks.kept import kept_everywhere
from seatwright.policy.checks.keyboards import keyboards
from seatwright.policy.checks.layers import disagreeing_layers
from seatwright.policy.checks.lines import dead_lines
from seatwright.policy.checks.onboard import onboard_passes
from seatwright.policy.checks.opposed import opposed_promises
from seatwright.policy.checks.parts import in_part
from seatwright.policy.checks.unsayable import unsayable_versions
from seatwright.policy.promises import promise_problems
from seatwright.policy.proofs import Proofs

Check = Callable[[Proofs], Iterator[Problem]]

CHECKS: tuple[Check, ...] = (
    onboard_passes,
    disagreeing_layers,
    unsayable_versions,
    opposed_promises,
    promise_problems,
    dead_lines,
    keyboards,
    class_wide,
    in_part,
    host_kinds,
    guest_systems,
    link_checks,
    kept_everywhere,
    blind_layers,
)
"""What is most serious first."""


def check_plan(plan: Plan) -> tuple[Problem, ...]:
    """Everything that the checks have to say of a plan."""
    proofs = Proofs(plan)
    return tuple(problem for check in CHECKS for problem in check(proofs))
