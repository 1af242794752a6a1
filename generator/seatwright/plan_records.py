"""What of a site goes into the plan as it was described, record by record."""

from __future__ import annotations

from collections.abc import Iterable

from seatwright.capacity.demand import demand_of
from seatwright.plan import (
    PlannedImage,
    PlannedInterface,
    PlannedLine,
    PlannedModel,
    PlannedOnboard,
    PlannedPeripheral,
    PlannedPolicy,
    PlannedPromise,
    PlannedPull,
    PlannedSettings,
    PlannedSocket,
    origin,
)
from seatwright.policy.table import sorted_lines
from seatwright.site.types import (
    Line,
    Model,
    OnboardDevice,
    Peripheral,
    Policy,
    Promise,
    Pull,
    Settings,
)


def planned_settings(settings: Settings) -> PlannedSettings:
    """What holds for the whole site; severities concern the checks, not the plan."""
    return PlannedSettings(
        restart=settings.restart,
        idle_after=settings.idle_after,
        batch=settings.batch,
        stop_at=settings.stop_at,
        access_user=settings.access_user,
        pull=planned_pull(settings.pull),
    )


def planned_pull(pull: Pull | None) -> PlannedPull | None:
    """How seats fetch what was rendered; None where they do not."""
    if pull is None:
        return None
    return PlannedPull(
        repository=pull.repository, branch=pull.branch, signers=pull.signers, every=pull.every
    )


def planned_model(model: Model) -> PlannedModel:
    """A model, its onboard devices and sockets in the order of the description."""
    return PlannedModel(
        name=model.name,
        title=model.title,
        arch=model.arch,
        link=model.link,
        network=model.network,
        onboard=tuple(_onboard(device) for device in model.onboard),
        sockets=tuple(
            PlannedSocket(label=one.label, ports=one.ports, speed=one.speed.value)
            for one in model.sockets
        ),
        image=PlannedImage(
            suite=model.image.suite,
            packages=model.image.packages,
            read_only=model.image.read_only,
            file=model.image.file,
            sha256=model.image.sha256,
        ),
        origin=origin(model.path),
    )


def _onboard(device: OnboardDevice) -> PlannedOnboard:
    return PlannedOnboard(
        port=device.port,
        vendor=device.vendor,
        product=device.product,
        usb_class=device.usb_class,
        carries=device.carries.value if device.carries else None,
        speed=device.speed.value if device.speed else None,
        origin=origin(device.path),
    )


def planned_peripheral(peripheral: Peripheral) -> PlannedPeripheral:
    """A device the site owns."""
    return PlannedPeripheral(
        name=peripheral.name,
        title=peripheral.title,
        vendor=peripheral.vendor,
        product=peripheral.product,
        bcd_device=peripheral.bcd_device,
        device_class=peripheral.device_class,
        interfaces=tuple(
            PlannedInterface(usb_class=one.usb_class, subclass=one.subclass, protocol=one.protocol)
            for one in peripheral.interfaces
        ),
        needs=peripheral.needs,
        port_paths_decide=peripheral.port_paths_decide,
        origin=origin(peripheral.path),
        demand=demand_of(peripheral),
    )


def planned_policy(policy: Policy) -> PlannedPolicy:
    """A policy with all its lines, the most specific first."""
    lines = list(_lines(policy.lines, None))
    for label, own in policy.sockets.items():
        lines.extend(_lines(own, label))
    return PlannedPolicy(
        name=policy.name,
        title=policy.title,
        lines=tuple(sorted_lines(lines)),
        origin=origin(policy.path),
    )


def _lines(lines: Iterable[Line], socket: str | None) -> Iterable[PlannedLine]:
    for line in lines:
        yield PlannedLine(
            verdict=line.verdict.value,
            text=line.text,
            vendor=line.match.vendor,
            product=line.match.product,
            bcd_device=line.match.bcd_device,
            usb_classes=line.match.usb_classes,
            peripheral=line.match.peripheral,
            socket=socket,
            origin=origin(line.path),
        )


def planned_promise(promise: Promise) -> PlannedPromise:
    """A promise, not yet proved."""
    return PlannedPromise(
        room=promise.room,
        seat=promise.seat,
        socket=promise.socket,
        devices=promise.devices,
        verdict=promise.verdict.value,
        origin=origin(promise.path),
    )
