"""What a change really does: two plans, and what is different for whom."""
