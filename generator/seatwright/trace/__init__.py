"""One device at a seat or in a room: what each layer says of it, rule by rule, and why."""
