"""The site whose seat the tests boot."""

from __future__ import annotations

from pathlib import Path

from seatwright.commands.planned import plan_site
from seatwright.plan import Plan

TEXT = """\
seatwright: 1
site: Fennmoor Town Archive
models:
  ridge:
    title: Ridge
    arch: amd64
    link: 1 Gb/s
    network: usb
    onboard:
      - {port: "2-3", id: "1209:0001", class: hub}
      - {port: "2-3.4", id: "1209:0001", class: hub}
      - {port: "2-3.4.2", id: "1209:0002", class: communications, carries: network}
    sockets:
      - {port: "1-1", label: left, speed: high}
      - {port: "1-2", label: right, speed: high}
      - {port: "1-3", label: front, speed: high}
      - {port: "1-4", label: back, speed: high}
      - {port: "1-5", label: beside the lamp, speed: high}
      - {port: "1-6", label: charger, speed: high}
      - {port: "2-3.1", label: under the shelf, speed: high}
peripherals:
  card-reader: {title: card terminal, id: "1209:0003", interfaces: [smart-card]}
  film-scanner: {title: microfilm scanner, id: "1209:0004", interfaces: [image, vendor-specific]}
  headset: {id: "1209:0005", bcdDevice: "1.10", interfaces: [audio, audio, hid]}
  field-recorder:
    id: "1209:000a"
    class: miscellaneous
    interfaces: [mass-storage, audio, audio]
policies:
  readers:
    redirect: [mass-storage, card-reader, headset]
    offer: [film-scanner, image]
    keep: [field-recorder]
    sockets:
      charger: {keep: [everything]}
hosts:
  quay: {address: quay.fennmoor.example, listen: "::"}
rooms:
  reading-room: {policy: readers, model: ridge, host: quay, ports: 4, seats: [rr-01]}
"""
SEAT = "rr-01"


def bench_plan(directory: Path) -> Plan:
    """Its plan."""
    site = directory / "site.yml"
    site.write_text(TEXT)
    return plan_site(site).planned.plan
