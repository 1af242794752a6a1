"""usbredir's filter: rules, their text, and the two decisions. (Signatures: see DEVELOPERS.md.)"""

from __future__ import annotations

from dataclasses import dataclass

ANY = -1
"""Matches every value of a field."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule, first match wins: class -1..255, the other fields -1..65535; -1 is any."""

    usb_class: int = ANY
    vendor: int = ANY
    product: int = ANY
    version: int = ANY
    allow: bool = False
