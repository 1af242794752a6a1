"""What USB is, with no idea of a site."""
