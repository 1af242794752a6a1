"""Real systemd hosts on this machine, to try on what is rendered before a real seat gets it.

``base`` makes and caches Debian roots, ``container`` is one host booted on such a root, ``fleet``
starts and stops several of them, ``supervise`` is the process they live and die with.  Needs
root and Debian's mmdebstrap, systemd-container and iproute2; nothing of it is visible outside
private namespaces, and nothing outlives the fleet's one process.
"""
