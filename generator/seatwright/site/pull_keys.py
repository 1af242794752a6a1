"""The part of the vocabulary for seats that fetch the rendered tree themselves."""

from __future__ import annotations

from seatwright.site.declare import Duration, Key, ListOf, Record
from seatwright.site.scalars import patterned

Repository = patterned(
    "the address of a git repository",
    r"(https?|ssh|git|file)://[!-~]+",
    'Write it as in "https://git.fennmoor.example/rooms.git".',
)
Branch = patterned(
    "the name of a branch",
    r"[A-Za-z0-9][A-Za-z0-9._/-]*",
    'Write it as git does, as in "main".',
)
Signer = patterned(
    "a public ssh key",
    r"(ssh-ed25519|ecdsa-sha2-nistp[0-9]+|ssh-rsa|sk-[a-z0-9@.-]+) [A-Za-z0-9+/=]{40,}( [!-~]+)?",
    "Write the line of the key's .pub file.",
)

PULL = Record(
    "how seats fetch what was rendered",
    Key("repository", Repository, "The repository that has the site and roles/.", required=True),
    Key("branch", Branch, "Its branch.", default="main", shown_default="main"),
    Key(
        "signers",
        ListOf(Signer, least=1),
        "Public ssh keys; a commit that none of them signed is not carried out.",
        required=True,
    ),
    Key(
        "every",
        Duration,
        "How often a seat looks; each waits for a time of its own within that.",
        default=1800,
        shown_default="30 min",
    ),
)
