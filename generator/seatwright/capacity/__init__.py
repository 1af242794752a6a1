"""Redirection ports and controllers; link budgets."""
