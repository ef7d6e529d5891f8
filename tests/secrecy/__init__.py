"""No secret anywhere, and nobody's words steer anything."""
