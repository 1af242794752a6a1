"""The variables of every role: one table.

From it come each role's ``meta/argument_specs.yml``, ``defaults/main.yml`` and ``README.md``
(see :mod:`seatwright.render.roles`), and against it a test holds what the inventory writes.
``meta/main.yml`` is made there too.  So what stands in ``templates/roles/<role>/`` by hand is its
tasks, handlers, files, modules and Ansible templates, copied as they are; only a file whose name
ends in ``.in`` is rendered first (``[[ ]]``, ``[% %]``) and loses that suffix.

The programs of the seat (``seatwright/client/*`` and the parts of ``usb/`` and ``survey/`` that
:mod:`seatwright.render.roles` names) are copied to
``roles/seat_base/files/programs/seatwright/`` with the layout they have here; ``[[ programs ]]``
in an ``.in`` file is the list of their paths below ``files/programs/``.  What the seat's modules
import of them is copied to ``roles/seat_base/module_utils/seatwright/``, too.

Which of them the inventory writes, and at which level, is said by ``level``:

* ``site``, ``clients``, ``room``, ``cell``, ``seat``, ``hypervisor``: written there, always, or,
  where it has a default, wherever it is another value;
* ``default``: not written; the role's default holds unless the person sets it;
* ``run``: meant for one run, given with ``-e``; never written.

Values that are free text (titles, labels) arrive as unsafe data: Ansible does not template them,
but the role has to quote them for the language they land in (``to_json`` for JSON files).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from seatwright.site.vocabulary import key

Kind = Literal["str", "int", "bool", "list", "dict"]
Level = Literal["site", "clients", "room", "cell", "seat", "hypervisor", "default", "run", "part"]


@dataclass(frozen=True, slots=True)
class Variable:
    """One variable of a role, or one key of a dictionary in it (``level`` is then ``part``).

    ``elements`` is the kind of a list's members, ``options`` the keys of a dictionary (or of the
    dictionaries in a list); no ``options`` means any keys. ``default`` of None means required,
    except for a ``part`` with ``optional``: that key may be absent. What is ``secret`` never shows
    in Ansible's output. ``key`` names the key of the description it comes from
    (``room.restart``): its choices are then those of the key, and so is the sentence where none
    is given here.
    """

    name: str
    kind: Kind
    level: Level
    sentence: str = ""
    default: object = None
    elements: Kind | None = None
    options: tuple[Variable, ...] = ()
    optional: bool = False
    secret: bool = False
    key: str | None = None

    @property
    def required(self) -> bool:
        """Whether the role cannot run without it."""
        return self.default is None and not self.optional

    @property
    def meaning(self) -> str:
        """The sentence: its own, or that of the description's key."""
        return self.sentence or key(self.key or "").sentence

    @property
    def choices(self) -> tuple[str, ...]:
        """The values it may have, () where there is no list of them."""
        if self.key is None or self.kind != "str":
            return ()
        return tuple(key(self.key).kind.argument_spec().get("choices", ()))


@dataclass(frozen=True, slots=True)
class Role:
    """A role: what it does in one sentence, its variables in the order they are documented.

    ``needs`` says in the README what the role counts on; ``tags`` are those its tasks carry.
    """

    name: str
    sentence: str
    variables: tuple[Variable, ...]
    needs: str
    tags: tuple[str, ...]


def part(
    name: str, kind: Kind, sentence: str, *, elements: Kind | None = None, optional: bool = False
) -> Variable:
    """A key of a dictionary inside a variable."""
    return Variable(name, kind, "part", sentence, elements=elements, optional=optional)


RULES_SENTENCE = (
    "usbredir rules in order, first match decides; each is class,vendor,product,version,allow "
    "and joined by | they are usbredir's own filter string"
)

PULL_PACKAGES = ("ansible-core", "git", "openssh-client")
"""What a seat that fetches what was rendered needs besides: the vars of seat_base have it."""

SEAT_BASE = Role(
    name="seat_base",
    sentence="What every seat needs: packages, the programs, the keeper of the last good copy.",
    needs="Debian 12 or newer with systemd and udev, a user who may use sudo, and what the role "
    "seat_filter is told of onboard devices.",
    tags=("base", "packages"),
    variables=(
        Variable(
            "seat_base_packages",
            "list",
            "default",
            "Debian packages that must be installed.",
            default=(
                "cage",
                "gir1.2-gtk-3.0",
                "gir1.2-spiceclientgtk-3.0",
                "gstreamer1.0-alsa",  # what the session plays and records sound with
                "gstreamer1.0-plugins-base",
                "gstreamer1.0-plugins-good",
                "libusbredirhost1",
                "python3-gi",
                "seatd",
                "xwayland",
            ),
            elements="str",
        ),
        Variable(
            "seat_base_model",
            "dict",
            "cell",
            "What this kind of client is, to compare each seat with before anything is changed; "
            "its onboard devices are in seat_filter_onboard.",
            options=(
                part("name", "str", "The model."),
                part("network", "str", "How its network adapter is attached: usb or internal."),
                Variable(
                    "sockets",
                    "list",
                    "part",
                    "The USB ports that people can reach.",
                    elements="dict",
                    options=(
                        part("label", "str", "What people call the socket."),
                        part("ports", "list", "Its port paths.", elements="str"),
                    ),
                ),
            ),
        ),
        Variable(
            "seat_base_model_must_match",
            "bool",
            "default",
            "Whether a seat that is not like its model is left alone; false only warns, for a "
            "machine that stands in for a seat.",
            default=True,
        ),
        Variable(
            "seat_base_sys",
            "str",
            "default",
            "Directory in which a seat's devices are looked up; another than /sys is for tests.",
            default="/sys",
        ),
        Variable(
            "seat_base_pull",
            "dict",
            "site",
            "How the seat fetches what was rendered and carries it out by itself; empty: it does "
            "not.",
            options=(
                part("repository", "str", "The git repository.", optional=True),
                part("branch", "str", "Its branch.", optional=True),
                part("signers", "list", "Keys of who may sign.", elements="str", optional=True),
                part("every", "int", "Seconds between two looks.", optional=True),
            ),
        ),
    ),
)

SEAT_SESSION = Role(
    name="seat_session",
    sentence="The session: what this seat shows, and how it behaves.",
    needs="The role seat_base before it.",
    tags=("session",),
    variables=(
        Variable("seat_session_seat", "str", "seat", "Name of this seat.", key="seat.name"),
        Variable(
            "seat_session_site_title", "str", "site", "What people call the site.", key="site"
        ),
        Variable("seat_session_room", "str", "room", "Name of this seat's room."),
        Variable(
            "seat_session_room_title",
            "str",
            "room",
            "What people call this seat's room.",
            key="room.title",
        ),
        Variable(
            "seat_session_guest", "str", "seat", "The guest this seat shows.", key="seat.guest"
        ),
        Variable(
            "seat_session_host",
            "str",
            "seat",
            "Address at which the seat reaches its guest's host.",
            key="host.address",
        ),
        Variable("seat_session_spice_port", "int", "seat", "TCP port of the guest's display."),
        Variable(
            "seat_session_language",
            "str",
            "site",
            "Language of what the seat shows.",
            key="language",
        ),
        Variable(
            "seat_session_restart",
            "str",
            "room",
            key="settings.restart",
        ),
        Variable(
            "seat_session_idle_after",
            "int",
            "site",
            "Seconds without typing, pointing or a redirected device in use that count as idle.",
            key="settings.idle-after",
        ),
        Variable(
            "seat_session_ca",
            "str",
            "default",
            "Certificate of the authority that signed the hosts' certificates, as PEM; empty: the "
            "file is put there by other means.",
            default="",
        ),
        Variable(
            "seat_session_ca_file",
            "str",
            "default",
            "Where that certificate is on the seat.",
            default="/etc/seatwright/ca.pem",
        ),
        Variable(
            "seat_session_subject",
            "str",
            "default",
            "Subject that the host's certificate must have, as in CN=quay,O=Fennmoor; empty: the "
            "host's address must be among its names.",
            default="",
        ),
        Variable(
            "seat_session_password",
            "str",
            "default",
            "Password of the guest's display, from a vault; empty: it asks for none.",
            default="",
            secret=True,
        ),
        Variable(
            "seat_session_ticket_command",
            "list",
            "seat",
            "A program and its arguments, run as the session's user before each connect, that "
            "prints the connection as JSON: tls_port and, where they differ, host, subject, "
            "password and proxy. Empty: the connection is the one above. Written for guests of "
            "hosts with a ticket command; put it on the seat by means of your own.",
            default=(),
            elements="str",
        ),
        Variable(
            "seat_session_wait_for_time",
            "bool",
            "default",
            "Wait for a synchronised clock before the first connect, where a service on the seat "
            "sets the clock: a certificate cannot be judged by a wrong one.",
            default=True,
        ),
        Variable(
            "seat_session_picker_keys",
            "str",
            "default",
            "The keys that open the device picker.",
            default="Control+Alt+U",
        ),
        Variable(
            "seat_session_environment",
            "dict",
            "default",
            "Further environment variables of the session, by name.",
            default={},
        ),
        Variable(
            "seat_session_support_minutes",
            "int",
            "run",
            "Support mode: the seat shows its device picker and its log for so many minutes, then "
            "locks itself again; 0 is off. Give it for one run: "
            "-e '{\"seat_session_support_minutes\": 30}'.",
            default=0,
        ),
        Variable(
            "seat_session_forget_secrets",
            "bool",
            "run",
            "Take the guest's password and the authority off a seat where the run does not give "
            "them; without it such a run is refused: "
            "-e '{\"seat_session_forget_secrets\": true}'.",
            default=False,
        ),
    ),
)

SEAT_FILTER = Role(
    name="seat_filter",
    sentence="Which USB device may go to the guest: the session's rules and the device nodes.",
    needs="The role seat_base before it.",
    tags=("filter",),
    variables=(
        Variable(
            "seat_filter_redirect",
            "list",
            "cell",
            f"What goes to the guest by itself: {RULES_SENTENCE}.",
            elements="str",
        ),
        Variable(
            "seat_filter_permitted",
            "list",
            "cell",
            f"What may go to the guest at all, offered devices included: {RULES_SENTENCE}.",
            elements="str",
        ),
        Variable(
            "seat_filter_onboard",
            "list",
            "cell",
            "The devices this model lives on: what is at exactly their port paths is never handed "
            "over (a hub here does not speak for what is plugged in below it).",
            elements="dict",
            options=(
                part("port", "str", "Port path as the kernel writes it."),
                part("id", "str", "Vendor and product, as in 1209:0002."),
                part("carries", "str", "network, disk or input; absent: none.", optional=True),
            ),
            key="model.onboard",
        ),
        Variable(
            "seat_filter_sockets",
            "list",
            "cell",
            "Sockets where other rules hold than in the rest of the room: at these port paths "
            "and below them (longest path wins) their lists stand instead of the ones above.",
            elements="dict",
            options=(
                part("label", "str", "What people call the socket."),
                part("ports", "list", "Its port paths.", elements="str"),
                part("redirect", "list", "As seat_filter_redirect.", elements="str"),
                part("permitted", "list", "As seat_filter_permitted.", elements="str"),
            ),
            key="policy.sockets",
        ),
        Variable(
            "seat_filter_udev_rules",
            "list",
            "cell",
            "The lines of 74-seatwright.rules: which USB device nodes the session's user may open, "
            "compiled from the same policy as the lists above.",
            elements="str",
        ),
        Variable(
            "seat_filter_names",
            "dict",
            "site",
            "What the site calls its devices, by id as in 1209:0003; for the device picker.",
            key="peripheral.title",
        ),
    ),
)

SEAT_AUTOSTART = Role(
    name="seat_autostart",
    sentence="The session starts with the machine: its user, its units, no login to fall out to.",
    needs="The roles seat_base, seat_session and seat_filter before it.",
    tags=("autostart", "restart", "support"),
    variables=(
        Variable(
            "seat_autostart_restart_now",
            "bool",
            "run",
            "Restart a changed session at once, whatever the room says: "
            "-e '{\"seat_autostart_restart_now\": true}'.",
            default=False,
        ),
        Variable(
            "seat_autostart_insist",
            "bool",
            "run",
            "Try files once more with which the session did not come up before: "
            "-e '{\"seat_autostart_insist\": true}'.",
            default=False,
        ),
    ),
)


def displays(role: str, unnamed: str, certificate: str) -> tuple[Variable, ...]:
    """What the displays of a host's guests are kept closed with; ``unnamed`` says what becomes of a
    guest without a password, ``certificate`` what of a host without one."""
    return (
        Variable(
            f"{role}_passwords",
            "dict",
            "default",
            "Passwords of the displays, from a vault: by guest, password and, where it ends, "
            f"valid_until (UTC, YYYY-MM-DDTHH:MM:SS). {unnamed}",
            default={},
            secret=True,
        ),
        Variable(
            f"{role}_authority",
            "str",
            "default",
            "Certificate of the authority that signed the host's certificate, as PEM.",
            default="",
        ),
        Variable(
            f"{role}_certificate",
            "str",
            "default",
            f"The host's certificate for its guests' displays, as PEM; {certificate}",
            default="",
        ),
        Variable(
            f"{role}_certificate_key",
            "str",
            "default",
            "The private key of that certificate, from a vault.",
            default="",
            secret=True,
        ),
    )


def on_running_guests(role: str) -> tuple[Variable, ...]:
    """What a person may ask for in one run, of guests that are running."""
    return tuple(
        Variable(
            f"{role}_{name}",
            "bool",
            "run",
            f"{what}: -e '{{\"{role}_{name}\": true}}'.",
            default=False,
        )
        for name, what in (
            ("live_ports", "Add missing redirection ports to running guests"),
            ("restart_connected", "Restart guests even while somebody is connected"),
        )
    )


GUEST_PORTS = Role(
    name="guest_ports",
    sentence="Display and USB redirection ports of the guests on one host.",
    needs="libvirt 9.0 or newer on the host; the guests themselves exist.",
    tags=("guests", "packages", "tls"),
    variables=(
        Variable(
            "guest_ports_packages",
            "list",
            "default",
            "Debian packages that must be installed.",
            default=("python3-libvirt", "python3-lxml"),
            elements="str",
        ),
        Variable(
            "guest_ports_uri",
            "str",
            "hypervisor",
            "How the host reaches its own libvirt.",
            key="host.uri",
        ),
        Variable(
            "guest_ports_listen",
            "str",
            "hypervisor",
            "Address the guests' displays listen on.",
            key="host.listen",
        ),
        Variable("guest_ports_restart", "str", "hypervisor", key="host.restart"),
        Variable(
            "guest_ports_filters",
            "dict",
            "hypervisor",
            "By name, a list of rules in order, first match decides; each has class, vendor, "
            "product, version (numbers, -1 is any) and allow (boolean).",
        ),
        Variable(
            "guest_ports_guests",
            "list",
            "hypervisor",
            "The guests of this host that show at a seat.",
            elements="dict",
            options=(
                part("name", "str", "The guest."),
                part("seat", "str", "The seat that shows it."),
                part("spice_port", "int", "TCP port of its display."),
                part("filter", "str", "Which of guest_ports_filters it has."),
                Variable(
                    "controllers",
                    "list",
                    "part",
                    "USB controllers for redirection.",
                    elements="dict",
                    options=(
                        part("index", "int", "The controller's index, from 0."),
                        part("kind", "str", "Model of the controller as libvirt names it."),
                        part("ports", "int", "How many ports it has."),
                    ),
                ),
                Variable(
                    "ports",
                    "list",
                    "part",
                    "Redirection ports and where each sits.",
                    elements="dict",
                    options=(
                        part("number", "int", "Number of the port, from 1."),
                        part("bus", "int", "Index of its controller."),
                        part("port", "str", "Its port on the controller."),
                    ),
                ),
            ),
        ),
        *displays(
            "guest_ports",
            unnamed="A guest that is not named keeps the password it has; one that has none is "
            "refused.",
            certificate="empty: it is put there by other means.",
        ),
        Variable(
            "guest_ports_tls_directory",
            "str",
            "default",
            "Where QEMU looks for them.",
            default="/etc/pki/libvirt-spice",
        ),
        Variable(
            "guest_ports_tls_group",
            "str",
            "default",
            "Group of the user that QEMU runs as, who has to read the key.",
            default="libvirt-qemu",
        ),
        Variable(
            "guest_ports_qemu_conf",
            "str",
            "default",
            "Settings of libvirt's QEMU driver.",
            default="/etc/libvirt/qemu.conf",
        ),
        Variable(
            "guest_ports_service",
            "str",
            "default",
            "The service that is restarted for changed settings (guests run on); empty: none is.",
            default="libvirtd",
        ),
        *on_running_guests("guest_ports"),
        Variable(
            "guest_ports_shutdown_seconds",
            "int",
            "default",
            "How long a guest that was asked to shut down may take.",
            default=120,
        ),
    ),
)

GUEST_UNITS = Role(
    name="guest_units",
    sentence="Guests under plain QEMU: their units, displays and USB redirection ports.",
    needs="Debian 12 or newer with systemd; for each guest a NAME.machine.cfg in "
    "/etc/seatwright/guests that describes its machine, disks and network as QEMU's -readconfig "
    "reads it.",
    tags=("guests", "packages"),
    variables=(
        Variable(
            "guest_units_packages",
            "list",
            "default",
            "Debian packages that must be installed.",
            default=("iproute2", "qemu-system-x86"),
            elements="str",
        ),
        Variable("guest_units_restart", "str", "hypervisor", key="host.restart"),
        Variable(
            "guest_units_guests",
            "list",
            "hypervisor",
            "The guests of this host that show at a seat.",
            elements="dict",
            options=(
                part("name", "str", "The guest."),
                part("seat", "str", "The seat that shows it."),
                part("spice_port", "int", "TCP port of its display."),
                part("config", "str", "What QEMU reads with -readconfig."),
                part("options", "str", "What stands on QEMU's command line beside it."),
            ),
        ),
        *displays(
            "guest_units",
            unnamed="A guest that is not named is refused.",
            certificate="without it the role refuses.",
        ),
        *on_running_guests("guest_units"),
    ),
)

GUEST_COMMANDS = Role(
    name="guest_commands",
    sentence="Guests on another kind of host, through the site's own template and commands.",
    needs="The commands on the host; the guests themselves exist.",
    tags=("guests",),
    variables=(
        Variable("guest_commands_apply", "list", "hypervisor", elements="str", key="host.apply"),
        Variable(
            "guest_commands_inspect", "list", "hypervisor", elements="str", key="host.inspect"
        ),
        Variable(
            "guest_commands_password", "list", "hypervisor", elements="str", key="host.password"
        ),
        Variable(
            "guest_commands_guests",
            "list",
            "hypervisor",
            "The guests of this host that show at a seat.",
            elements="dict",
            options=(part("name", "str", "The guest."), part("text", "str", "Its text.")),
        ),
        *displays(
            "guest_commands",
            unnamed="Where the host has a command for them a guest that is not named is refused.",
            certificate="for commands that want it.",
        ),
    ),
)

ROLES: Mapping[str, Role] = {
    role.name: role
    for role in (
        SEAT_BASE,
        SEAT_SESSION,
        SEAT_FILTER,
        SEAT_AUTOSTART,
        GUEST_PORTS,
        GUEST_UNITS,
        GUEST_COMMANDS,
    )
}
SEAT_ROLES = ("seat_base", "seat_session", "seat_filter", "seat_autostart")
"""Roles of a seat in the order in which clients.yml runs them."""
