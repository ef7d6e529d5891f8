"""The live page: a run in a browser, to look on."""
