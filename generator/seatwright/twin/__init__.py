"""A seat and its guest in an emulator, wired like the seat's model.

``Twin.boot(plan, seat)`` starts both: the client twin is a Debian root that the rendered roles have
provisioned, in QEMU with the model's hubs, adapter and sockets; the guest twin is QEMU with a SPICE
server, the planned redirection ports and the host's filter.  Between them is the client twin's
USB adapter and nothing else.  Devices come and go by QEMU's own models (``devices``) or played with
any descriptors by ``peer``.  Needs root; nothing of it is visible outside a network namespace.
"""
