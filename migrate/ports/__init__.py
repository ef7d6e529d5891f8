"""The edges: sockets, files, secrets. The engine sees the small protocols in `protocols` only."""
