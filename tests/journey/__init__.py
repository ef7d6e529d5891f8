"""Whole journeys through the command line, against the loopback lab."""
