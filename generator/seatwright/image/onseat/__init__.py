"""Programs of an image's first boot. They run on the seat, with Debian's own Python alone."""
