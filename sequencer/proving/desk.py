"""What the steps of a proof work with: the bench's file, its roles, the talk below them, who answers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from drivers.actor import Actor
from drivers.dialect import Dialect
from drivers.roles.common import Conversation
from drivers.timing import Clock
from sequencer.night.asking import Asking, nobody_there
from sequencer.night.hands import Digitiser, Hands
from sequencer.night.two_legs import TwoLegs
from sequencer.plan.models import Bench, Role, RoleName
from sequencer.roles import Instruments


@dataclass
class Desk:
    """lost: roles that do not answer as themselves, with the reason: nothing more is asked of them. openings: of each
    link, as it stood before anything was set; has_events: roles that told their power-on event then."""

    bench: Bench
    instruments: Instruments
    dialects: Mapping[RoleName, Dialect]
    clock: Clock
    say: Callable[[str], None]
    asking: Asking = nobody_there
    lost: dict[str, str] = field(default_factory=dict, init=False)
    openings: dict[str, int] = field(default_factory=dict, init=False)
    has_events: set[str] = field(default_factory=set, init=False)

    @property
    def hands(self) -> Hands:
        return self.instruments.hands

    @property
    def digitiser(self) -> Digitiser:
        """The instrument itself, input by input."""
        one = self.hands.digitiser
        return one.digitiser if isinstance(one, TwoLegs) else one

    @property
    def there(self) -> tuple[RoleName, ...]:
        """The bench's roles that still answer."""
        return tuple(name for name in self.bench.roles() if name not in self.lost)

    def role(self, name: RoleName) -> Role:
        return self.bench.role[name]

    def actor(self, name: RoleName) -> Actor:
        return self.instruments.actors[name]

    def talk(self, name: RoleName) -> Conversation:
        """Beside the role's own: for what the role itself has no need to say."""
        return Conversation(self.actor(name), self.dialects[name])
