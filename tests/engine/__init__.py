"""The engine against the loopback lab, judged by the lab's own devices."""
