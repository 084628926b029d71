"""How often a PIN may be tried: few times from one address, and seldom from all together.

Whoever may take many addresses would find a short PIN by trying from each of them. So all tries together are counted too:
a store of tries that fills up slowly. When it is empty, turns are given out, spaced evenly and few ahead, so that a person
with the right PIN comes to try within a minute, whoever else tries. When all turns are taken, an address that asked less
often takes the place of one that asked more often, and one that knew the PIN before goes before all others. (Whoever brings
an address never seen before for each turn, while another person is new too, can hold that person up as long as they last.)
"""

from __future__ import annotations

import ipaddress
import random
from dataclasses import dataclass, field

EACH, EACH_S = 5, 60.0
"""Tries from one address, and the time they count for."""

MOST_ADDRESSES = 1000
KNEW_IT = -1000
IPV6_NETWORK_BITS = 64
"""One household has that many bits of addresses of its own."""


@dataclass(slots=True, eq=False)
class _Past:
    """Of one address: its tries (monotonic s), turns it was given (less is better), the turn it has."""

    tried: list[float] = field(default_factory=list)
    asked: int = 0
    turn: float | None = None


class Tries:
    """`together` tries at once from everywhere, then one each `turn_s`; `most_turns` are given out ahead, and each may be used
    for `kept_s`. `now` is monotonic time in s."""

    def __init__(self, together: int = 20, turn_s: float = 10.0, most_turns: int = 5, kept_s: float = 60.0) -> None:
        self._together, self._turn_s, self._most_turns, self._kept_s = together, turn_s, most_turns, kept_s
        self._past: dict[str, _Past] = {}
        self._ahead: list[_Past] = []  # whose turn is still to come
        self._spent_until = float("-inf")  # when all tries will be there again

    def wait_s(self, address: str, now: float) -> float:
        """How long an address has to wait. 0: it may try once now, and the try is counted; else a turn may be kept for it."""
        past = self._of(address)
        past.tried = [at for at in past.tried if now - at < EACH_S]
        if len(past.tried) >= EACH:
            return EACH_S - (now - past.tried[-EACH])
        wait_s = self._turn_in(past, now)
        if wait_s <= 0:
            past.tried.append(now)
        return wait_s

    def right(self, address: str) -> None:
        """The PIN was right: that try cost nothing."""
        past = self._of(address)
        past.asked = KNEW_IT
        del past.tried[-1:]
        self._spent_until -= self._turn_s

    def _turn_in(self, past: _Past, now: float) -> float:
        if past.turn is not None:
            if now < past.turn:
                return past.turn - now
            turn, past.turn = past.turn, None
            if now < turn + self._kept_s:
                return 0.0  # it was counted when it was given
        self._ahead = [one for one in self._ahead if one.turn is not None and one.turn > now]
        free = self._spent_until - (self._together - 1) * self._turn_s
        ahead_s = self._most_turns * self._turn_s
        if free <= now + ahead_s:
            self._spent_until = max(self._spent_until, now) + self._turn_s
            if free <= now:
                return 0.0
            turn = free
        else:
            most = max((one.asked for one in self._ahead), default=past.asked)
            if most <= past.asked:
                return ahead_s
            # By chance among equals: nobody can aim at the turn of one person.
            other = random.choice([one for one in self._ahead if one.asked == most])
            turn, other.turn = other.turn or now, None
            self._ahead.remove(other)
        past.turn = turn
        past.asked += 1
        self._ahead.append(past)
        return turn - now

    def _of(self, address: str) -> _Past:
        """What is known of an address, as the newest; the one that was heard of longest ago is forgotten."""
        name = network(address)
        past = self._past.pop(name, None) or _Past()
        if len(self._past) >= MOST_ADDRESSES:
            del self._past[next(iter(self._past))]
        self._past[name] = past
        return past


def network(address: str) -> str:
    """What counts as one address: IPv4 as it is (also when mapped into IPv6), of IPv6 the network."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv4Address):
        return str(found)
    if found.ipv4_mapped is not None:
        return str(found.ipv4_mapped)
    return str(ipaddress.ip_network((found, IPV6_NETWORK_BITS), strict=False))
