"""The run as it goes, in a terminal: one picture that is drawn in place, or plain lines."""
