"""Pages served to a browser: where, to whom, and with which precautions. What they show is made
elsewhere."""
