"""Proofs about rule lists: exact, at every class, id and bcdDevice, without sampling.

A rule list is a sequence of rules (``usb.filter.Rule`` or ``plan.PlannedRule``); the first that
matches decides, and what none matches is kept.

* ``analyse(rules)``: for each rule whether it is reached, with a witness, or what covers it, and
  whether that decides otherwise (an error) or the same (noise).
* ``changes_nothing(rules, i)``, ``can_be_left_out(rules)``, ``minimise(rules, exempt)``: rules
  that can go, reached or not.
* ``compare(old, new)``: equal, more permissive, less permissive or neither, with the regions
  gained and lost, each with witnesses. ``included(inner, outer)``: what inner lets through beyond.
* ``passes(rules, pattern, strict=…)``: whether devices of a kind always, never or sometimes
  pass, with a device each way; for composite devices too.
* ``wording``: all of it as sentences, with the caller's names for classes and devices.
* ``outcome(rules, forest)``: the tree behind ``compare`` and ``passes``, to be made once for a
  list that is asked often; ``Outcome.classes(vendor, product, version)`` are the classes that pass.

``EXAMPLES.md`` beside this file has worked examples, which the tests execute.

Costs, and the worst cases we can construct (``tests/bench/bench_algebra.py`` measures them; CPU
seconds on one core of a small machine):

* ``analyse`` takes a few looks into tables for each rule: 0.08 s for 10,000 rules, 1.5 s for
  100,000.  Only where rules name every class (256 rules at least) can a rule take 256 times that:
  4 s for 10,000 rules, most of them dead through 256 others.  Only where they name every
  vendor, product or version (65,536 rules) can one take 65,536 times that, once for each different
  set of rules that covers others.
* ``minimise`` in addition looks at the later rules that decide otherwise and share points with a
  rule, until one shows that it is needed: 0.5 s for 10,000 rules, but the square of the length for
  lists full of rules that change nothing (2 s for 3,000 of them).
* ``compare`` takes about a step a rule: 0.02 s for 1,000 rules against a changed copy, 0.07 s
  against an unrelated list, 3 s for 100,000.  Where rules for one vendor alternate with rules
  for one product of any vendor, it is the square of the length: 1.4 s for 2,000 of them.

TooLarge ends what would take more than some minutes or some hundred megabytes.
"""

from seatwright.policy.algebra.compare import Comparison, Relation, compare, included
from seatwright.policy.algebra.limits import TooLarge
from seatwright.policy.algebra.outcome import Forest, Outcome, outcome
from seatwright.policy.algebra.reach import Analysis, Fate, Reach, analyse
from seatwright.policy.algebra.redundant import (
    Minimal,
    can_be_left_out,
    changes_nothing,
    minimise,
)
from seatwright.policy.algebra.regions import IdBox, Region
from seatwright.policy.algebra.sets import ValueSet
from seatwright.policy.algebra.space import USB, AnyRule, Point, Space, device_at
from seatwright.policy.algebra.through import (
    Passing,
    Pattern,
    Through,
    any_shape,
    only_class,
    passes,
    with_device_class,
)

__all__ = [
    "USB",
    "Analysis",
    "AnyRule",
    "Comparison",
    "Fate",
    "Forest",
    "IdBox",
    "Minimal",
    "Outcome",
    "Passing",
    "Pattern",
    "Point",
    "Reach",
    "Region",
    "Relation",
    "Space",
    "Through",
    "TooLarge",
    "ValueSet",
    "analyse",
    "any_shape",
    "can_be_left_out",
    "changes_nothing",
    "compare",
    "device_at",
    "included",
    "minimise",
    "only_class",
    "outcome",
    "passes",
    "with_device_class",
]
