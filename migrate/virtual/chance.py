"""What chance does to messages and restarts: one seeded generator, and how likely what is."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random


@dataclass(frozen=True)
class Weather:
    """Chances between 0 and 1 for each message, and times in seconds.

    `lost`: a request never arrives. `deaf`: nobody takes the connection (HTTP) or the link is just
    down (MQTT), so that it is certain that nothing was delivered. `unheard`: it is acted on, and
    the answer is lost. `late`: it takes up to `lateness` instead of up to `latency`, and so arrives
    after others that were sent later. `twice`: it is delivered once more, up to `lateness` later
    (MQTT with QoS 1 may). `garbled`: it is not acted on, and the answer is no answer.
    """

    lost: float = 0.0
    deaf: float = 0.0
    unheard: float = 0.0
    late: float = 0.0
    twice: float = 0.0
    garbled: float = 0.0
    latency: float = 0.1
    lateness: float = 6.0


FAIR = Weather()
"""Nothing is lost and nothing is late."""


class Chance:
    """Draws. `counts` says how often each kind of mishap came about."""

    def __init__(self, seed: int | str) -> None:
        # A story that can be told again, not a secret.
        self.random = Random(seed)  # noqa: S311
        self.weather = FAIR
        self.counts: dict[str, int] = {}

    def happens(self, kind: str) -> bool:
        """Whether this mishap befalls the message at hand."""
        likely = float(getattr(self.weather, kind))
        if likely <= 0 or self.random.random() >= likely:
            return False
        self.count(kind)
        return True

    def count(self, kind: str) -> None:
        """One more of a kind."""
        self.counts[kind] = self.counts.get(kind, 0) + 1

    def delay(self) -> float:
        """Seconds that a message is on its way."""
        weather = self.weather
        if self.happens("late"):
            return self.random.uniform(weather.latency, weather.lateness)
        return self.random.uniform(0.002, weather.latency)
