"""Tests of the loopback lab."""
