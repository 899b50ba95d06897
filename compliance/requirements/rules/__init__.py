"""Requirement packs as values: which edition holds on a date, and what it says. Pure."""
