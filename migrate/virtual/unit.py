"""One simulated unit in virtual time: the lab's firmware, and a life of timers around it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from migrate.lab.firmware import FAMILIES, Firmware
from migrate.lab.firmware.base import Facts, HttpAnswer, HttpRequest, MqttReply, Outcome, Store
from migrate.virtual.networks import Surroundings, VirtualBroker, VirtualNetwork

TRIES_BEFORE_SPARE = 3  # manual of larch


@dataclass
class Flaws:
    """What is wrong with a unit, each for as often as the number says.

    `declines`: says no to settings. `reverts`: comes back with the settings it had before.
    `slow`: takes `slow_by` seconds longer to come back. `lost`: never comes back until its power
    is cut. `flaps`: vanishes `flap_after` seconds after it came back, for `flap_for`.
    `moves`: comes back under another address; `swaps`: and somebody else gets its old one.
    `stale`: tells the settings it had before. `impostor`: answers with another MAC.
    """

    declines: int = 0
    reverts: int = 0
    slow: int = 0
    slow_by: float = 60.0
    lost: int = 0
    flaps: int = 0
    flap_after: float = 3.0
    flap_for: float = 8.0
    moves: int = 0
    swaps: int = 0
    stale: int = 0
    impostor: int = 0

    def take(self, kind: str) -> bool:
        """Whether it happens now; counted down."""
        left = int(getattr(self, kind))
        if left > 0:
            setattr(self, kind, left - 1)
        return left > 0


@dataclass
class VirtualUnit:
    """`store` is its memory, `running` what is in force; `taken` the stores after each settings
    message that it took. On no network while `network` is None. With `wakes_seconds` it sleeps: it
    is awake for `awake_seconds` after each start, and again each time it wakes (manuals); it says
    that it goes, if it `sleeps_cleanly`."""

    house: Surroundings
    name: str
    family: str
    mac: str
    topic: str
    store: Store
    firmware_version: str = "1.0"
    restart_seconds: float = 3.0
    join_seconds: float = 1.5
    flaws: Flaws = field(default_factory=Flaws)
    wakes_seconds: float | None = None
    awake_seconds: float = 8.0
    sleeps_cleanly: bool = True
    when_down: Callable[[float], None] = lambda seconds: None
    """Is told for how many seconds it is off, as when it feeds something."""

    def __post_init__(self) -> None:
        self.running = self.store
        self.before = self.store
        self.network: VirtualNetwork | None = None
        self.broker: VirtualBroker | None = None
        self.address: str | None = None
        self.joined_at = 0.0
        self.booted_at = 0.0
        self.boots = 0
        self.gone_for_good = False
        self.taken: list[Store] = []
        self._life = 0
        self._visit = 0
        self._failed = 0
        self._asleep = self._restart_due = False
        self._firmware: Firmware = FAMILIES[self.family](self.topic)
        self.house.move_in(self)

    # Power and restarts

    def power_on(self, age: float = 0.0) -> None:
        """Up and joined at once, as it was when the story began, running for `age` seconds."""
        self._begin()
        self.booted_at -= age
        network = self.house.join(self.running.wifi_name, self.running.wifi_key)
        if network is None:
            raise ValueError(f"{self.name} starts on no network")
        self._join(network)
        self._connect(self._visit)

    def power_cut(self, seconds: float) -> None:
        """Off at once, on again after these seconds; also ends a restart into nowhere."""
        self.house.note("power cut", self.name)
        self.leave()
        self._life += 1
        self.gone_for_good = False
        life = self._life
        self.when_down(seconds)
        self.house.later(seconds, lambda: self._boot(life))

    def restart(self) -> None:
        """As it was told, or by itself."""
        self.house.note("restart", self.name)
        self.leave()
        self._life += 1
        life, flaws, chance = self._life, self.flaws, self.house.chance
        if flaws.take("lost"):
            chance.count("never returns")
            self.gone_for_good = True
            return
        seconds = self.restart_seconds * chance.random.uniform(0.7, 1.4)
        if flaws.take("slow"):
            chance.count("returns slowly")
            seconds += flaws.slow_by
        if flaws.take("reverts"):
            chance.count("returns by itself")
            self.store = replace(self.before, output=self.store.output)
        self.when_down(seconds)
        self.house.later(seconds, lambda: self._boot(life))

    def _boot(self, life: int) -> None:
        if life == self._life:
            self._begin()
            self.look_for_network(self.join_seconds)

    def _begin(self) -> None:
        self._life += 1
        self.boots += 1
        self.store = replace(self.store, pending=frozenset())
        self.running = self.store
        self.booted_at = self.house.loop.time()
        self._failed = 0
        self._asleep = self._restart_due = False
        self._firmware = FAMILIES[self.family](self.topic)
        self.house.note("boot", self.name)

    # Network and broker

    def look_for_network(self, seconds: float) -> None:
        """Try to join after these seconds."""
        life = self._life
        self.house.later(seconds, lambda: self._try(life))

    def _try(self, life: int) -> None:
        if life != self._life or self.network is not None or self._asleep:
            return
        name, key = self.store.wifi_name, self.store.wifi_key
        spare = self._failed >= TRIES_BEFORE_SPARE and bool(self.store.wifi_spare_name)
        if spare and self._firmware.spare_network:
            name, key = self.store.wifi_spare_name, self.store.wifi_spare_key
        network = self.house.join(name, key)
        if network is None:
            self._failed = 0 if spare else self._failed + 1
            self.look_for_network(self.join_seconds * 2)
            return
        if not spare:  # a key that waited for a restart is in force by this
            self.running = replace(self.running, wifi_name=name, wifi_key=key)
        self._join(network)
        if self.flaws.take("flaps"):
            self.house.chance.count("flaps")
            visit, flaws = self._visit, self.flaws
            self.house.later(flaws.flap_after, lambda: self._flap(visit))
        self._connect_later(0.3)

    def _join(self, network: VirtualNetwork) -> None:
        chance, loop = self.house.chance, self.house.loop
        if self.flaws.take("moves"):
            chance.count("another address")
            former = network.leases.pop(self.mac, None)
            network.next_host += 1
            network.lease(self.mac, loop.time())
            if former is not None and self.flaws.take("swaps"):
                self.house.give_away(network, former[0])
        self._visit += 1
        self.network, self.joined_at = network, loop.time()
        self.address = network.lease(self.mac, loop.time() + chance.random.uniform(0, 1))
        self.house.note("joined", f"{self.name} {network.name}")
        if self.wakes_seconds is not None:
            # From when it is up, or cannot be within a period.
            self._doze_later(self.wakes_seconds if self.running.broker_host else 0.0)

    def leave(self) -> None:
        """Off its network, and so off its broker."""
        self.drop_link()
        if self.network is not None:
            self.house.note("left", f"{self.name} {self.network.name}")
        self.network, self.address = None, None
        self._visit += 1

    # Sleep

    def _doze_later(self, seconds: float) -> None:
        visit = self._visit
        self.house.later(seconds + self.awake_seconds, lambda: self._doze(visit))

    def _doze(self, visit: int) -> None:
        if visit != self._visit or self._restart_due:  # which comes before sleep (manuals)
            return
        self._asleep, life = True, self._life
        self.house.note("asleep", self.name)
        broker = self.broker
        if broker is not None and self.sleeps_cleanly:
            word = self._firmware.absence_word.encode()
            broker.publish(self._firmware.presence_topic, word, retain=True)
            self.broker = None
            del broker.units[self.name]
        self.leave()
        asleep = max((self.wakes_seconds or 0.0) - self.awake_seconds, 0.0)
        self.house.later(asleep, lambda: self._wake(life))

    def _wake(self, life: int) -> None:
        if life == self._life:
            self._asleep = False
            self.booted_at = self.house.loop.time()  # its uptime counts from here (manuals)
            self.house.note("awake", self.name)
            self.look_for_network(self.join_seconds)

    def _flap(self, visit: int) -> None:
        if visit == self._visit:
            self.leave()
            self.look_for_network(self.flaws.flap_for)

    def _connect_later(self, seconds: float) -> None:
        visit = self._visit
        self.house.later(seconds, lambda: self._connect(visit))

    def _connect(self, visit: int) -> None:
        if visit != self._visit or self.network is None or self.broker is not None:
            return
        if not self.running.broker_host:
            return
        broker = self.house.broker_for(self.running.broker_host, self.running.broker_port)
        if broker is None or not broker.lets_in(self):
            self._connect_later(2.0)
            return
        self.broker = broker
        broker.units[self.name] = self
        self.house.note("connected", f"{self.name} {broker.host}")
        if self.wakes_seconds is not None:
            self._doze_later(0.0)
        firmware = self._firmware
        broker.publish(firmware.presence_topic, firmware.presence_word.encode(), retain=True)

    def drop_link(self) -> None:
        """The connection to its broker breaks; the broker tells so, sooner or later."""
        broker = self.broker
        if broker is None:
            return
        self.broker = None
        del broker.units[self.name]
        word = self._firmware.absence_word.encode()
        topic = self._firmware.presence_topic

        def will() -> None:
            # A client that is back before its will was published takes it away (MQTT 5.0,
            # section 3.1.2.5).
            if self.name not in broker.units:
                broker.publish(topic, word, retain=True)

        self.house.later(self.house.chance.random.uniform(0.0, 3.0), will)
        if self.network is not None:
            self._connect_later(2.0)

    # Messages

    def listens(self, topic: str) -> bool:
        """Whether it has subscribed to a topic, by the settings in force."""
        return topic in self._firmware.topics(self.running)

    def http(self, method: str, target: str, headers: dict[str, str], body: bytes) -> HttpAnswer:
        """It takes a request; what it answers."""
        request = HttpRequest(method, target, headers, body)
        reaction = self._firmware.http(request, self.store, self._facts())
        self._act(reaction.outcome)
        return reaction.http or HttpAnswer(500)

    def mqtt(self, topic: str, payload: bytes) -> tuple[MqttReply, ...]:
        """It takes a message; what it answers."""
        reaction = self._firmware.mqtt(topic, payload, self.store, self._facts())
        self._act(reaction.outcome)
        return reaction.replies

    def _act(self, outcome: Outcome) -> None:
        if outcome.kind == "read":
            self.house.note("told its settings", self.name)
        if outcome.declined:
            self.flaws.take("declines")
            self.house.chance.count("declines")
        if outcome.settings_taken:
            if outcome.store != self.store:
                self.before = self.store
            self.store = outcome.store
            self.running = self._firmware.in_effect(self.running, self.store)
            self.taken.append(self.store)
            self.house.note("took settings", self.name)
        if outcome.restart:
            self._restart_due = True
            life = self._life

            def due() -> None:
                if life == self._life:
                    self.restart()

            self.house.later(self.house.chance.random.uniform(0.1, 0.8), due)

    def _facts(self) -> Facts:
        flaws = self.flaws
        stale = flaws.take("stale")
        impostor = flaws.take("impostor")
        for kind, happened in (("stale settings", stale), ("another MAC", impostor)):
            if happened:
                self.house.chance.count(kind)
        return Facts(
            mac="00-00-5E-00-53-FE" if impostor else self.mac,
            firmware=self.firmware_version,
            address=str(self.address),
            uptime_s=int(self.house.loop.time() - self.booted_at),
            shown=self.before if stale else None,
            declines="busy" if flaws.declines > 0 else None,
        )
