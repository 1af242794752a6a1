"""seatwright: from one description of a site to provisioned thin clients."""

__version__ = "0.1.0"
