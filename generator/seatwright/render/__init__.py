"""Plan to tree, written all or nothing."""
