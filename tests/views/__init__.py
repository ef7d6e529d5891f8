"""Tests of what people look at."""
