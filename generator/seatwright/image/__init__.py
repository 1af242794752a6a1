"""Golden images: what a seat of one model boots from, made of the same roles as a running seat.

``recipe`` says what goes in, ``snapshot`` which version of each package, ``base`` makes the root
with mmdebstrap, ``layer`` provisions it with ``clients.yml``, ``table`` holds what differs from
seat to seat, ``filesystem`` and ``disk`` make the bytes, ``build`` is the way through all of it.
``onseat/`` has the programs that run on a seat at its first boot. ``card`` writes an image to a
card, ``compare`` holds a running seat against its image.
"""
