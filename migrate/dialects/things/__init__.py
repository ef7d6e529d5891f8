"""W3C Web of Things: a Thing Description (TD 1.1) becomes the text of a dialect."""
