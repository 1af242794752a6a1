"""What a change really does: Plan × Plan to changes."""
