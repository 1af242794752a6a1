"""The newer Debian's judgement of udev rules tells right from wrong (udevadm(8), verify)."""

from __future__ import annotations

from seatwright.rehearsal.newer import verify_udev_rules


def test_right_rules_are_accepted() -> None:
    rules = 'SUBSYSTEM=="usb", ENV{DEVTYPE}=="usb_device", GROUP="seat", MODE="0660"\n'
    verdict = verify_udev_rules(rules)
    assert verdict.accepted, verdict.said


def test_wrong_rules_are_refused_with_their_line() -> None:
    verdict = verify_udev_rules('SUBSYSTEM=="usb", MODE="0660"\nSUBSYSTEMS="usb"\n')
    assert not verdict.accepted
    assert "checked.rules:2" in verdict.said
