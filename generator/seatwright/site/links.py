"""The keys that say what links, screens and peripherals ask and leave; part of the vocabulary."""

from __future__ import annotations

from seatwright.site.declare import Choice, Integer, Key, NameOf, Percent, Rate, Record, Text
from seatwright.site.scalars import Picture, RoundTrip, Size, patterned
from seatwright.site.types import Speed

SCREEN = 20_000_000
ROUND_TRIP = 500
AT_ONCE = 25

FileName = patterned(
    "a file below the site's folder",
    r"[^\\/\x00-\x1f~][^\\\x00-\x1f]*",
    'Write its name from the site\'s folder on, as in "devices/scanner.txt".',
)

SETTINGS_KEYS = (
    Key(
        "screen",
        Rate,
        "What the picture on a seat's screen takes of its link: an assumption of the site's own.",
        default=SCREEN,
        shown_default="20 Mb/s",
    ),
    Key(
        "round-trip",
        RoundTrip,
        "Time from a seat to its host and back.",
        default=ROUND_TRIP,
        shown_default="0.5 ms",
    ),
    Key(
        "at-once",
        Percent,
        "Share of a room's seats whose peripherals are busy at one time.",
        default=AT_ONCE,
        shown_default="25%",
    ),
)

ROOM_KEYS = (
    Key("screen", Rate, "What a picture takes of a link here; the site's setting where left out."),
    Key("round-trip", RoundTrip, "Time to the host and back; the site's setting where left out."),
    Key("at-once", Percent, "Share of its seats busy at one time; the site's where left out."),
    Key("switch", NameOf("switches", "a switch"), "The switch that its seats are connected to."),
)

HOST_KEYS = (
    Key("link", Rate, "What its network link carries at best."),
    Key("switch", NameOf("switches", "a switch"), "The switch that it is connected to."),
)

ONBOARD_SPEED = Key(
    "speed",
    Choice(*Speed),
    "The USB speed it runs at, as the USB specifications name it: where it carries the network it "
    "may leave less than the link's rate.",
)

STREAM = Record(
    "a stream",
    Key("picture", Picture, "Width and height of a camera's picture in pixels."),
    Key("frames", Integer(1, 1000), "Pictures in a second."),
    Key("samples", Integer(1000, 1_000_000), "Samples of sound in a second."),
    Key("channels", Integer(1, 64), "Channels of sound, both directions counted."),
    Key("bits", Integer(1, 128), "Bits of a pixel or a sample.", required=True),
    one_of=("picture", "samples"),
    needs={
        "picture": ("frames",),
        "frames": ("picture",),
        "samples": ("channels",),
        "channels": ("samples",),
    },
)

PERIPHERAL_KEYS = (
    Key("needs", Rate, "What it needs of the seat's link while it is in use."),
    Key("stream", STREAM, "What it sends all the time, where needs does not say a rate."),
    Key(
        "descriptors",
        FileName,
        "A file with its descriptors: what lsusb -v printed of it, or a copy of the file "
        "descriptors below /sys/bus/usb/devices.",
    ),
    Key("speed", Choice(*Speed), "The USB speed it runs at; high where nothing says otherwise."),
    Key(
        "request",
        Size,
        "How much its driver in the guest asks for at a time before it waits for the answer.",
    ),
)

SWITCH = Record(
    "a switch",
    Key("title", Text(), "What people call it; its name where left out."),
    Key("uplink", Rate, "What its connection to the rest of the network carries.", required=True),
    Key("behind", NameOf("switches", "a switch"), "The switch that its uplink leads to."),
)
