"""Sheets for print: one file of HTML each, without script, readable on a phone as well."""
