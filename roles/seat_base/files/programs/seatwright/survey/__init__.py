"""A running client, looked at: what its USB devices are to it, and the model that says so."""
