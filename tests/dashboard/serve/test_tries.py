"""How often a PIN may be tried, on a clock of the tests' own."""

from __future__ import annotations

from dashboard.serve.tries import EACH, EACH_S, MOST_ADDRESSES, Tries, network


def test_few_tries_from_one_address() -> None:
    tries = Tries()
    assert [tries.wait_s("192.0.2.1", 10.0) for _ in range(EACH)] == [0.0] * EACH
    assert tries.wait_s("192.0.2.1", 20.0) == EACH_S - 10
    assert tries.wait_s("192.0.2.2", 20.0) == 0
    assert tries.wait_s("192.0.2.1", 10.0 + EACH_S) == 0


def test_a_right_pin_costs_no_try() -> None:
    tries = Tries(together=2)
    for _ in range(50):
        assert tries.wait_s("192.0.2.1", 1.0) == 0
        tries.right("192.0.2.1")


def attacked(tries: Tries, addresses: int, seconds: int, person: str = "") -> tuple[int, float | None]:
    """All addresses try each second; `person`, not seen before, from the middle on. How many wrong tries were let through,
    and how long it took until the person might try."""
    through, waited = 0, None
    for now in range(seconds):
        for number in range(addresses):
            through += tries.wait_s(f"10.0.{number // 250}.{number % 250}", float(now)) == 0
        if person and waited is None and now >= seconds // 2 and tries.wait_s(person, float(now)) == 0:
            waited = float(now - seconds // 2)
    return through, waited


def test_all_addresses_together_are_counted() -> None:
    through, _ = attacked(Tries(), 250, 1200)
    assert 20 <= through <= 20 + 1200 / 10 + 1  # 6 a minute: a day and more for all PINs of four figures


def test_who_comes_anew_may_try_within_a_minute_whoever_else_tries() -> None:
    for addresses in (5, 50, 250):
        _, waited = attacked(Tries(), addresses, 600, person="192.0.2.1")
        assert waited is not None and waited <= 60, addresses


def test_who_knew_the_pin_goes_before_all_others() -> None:
    tries = Tries()
    assert tries.wait_s("192.0.2.1", 0.0) == 0
    tries.right("192.0.2.1")
    for number in range(900):
        tries.wait_s(f"10.0.{number // 250}.{number % 250}", 1.0)
    wait_s = tries.wait_s("192.0.2.1", 1.0)
    assert 0 < wait_s <= 50
    for number in range(900, 990):  # nobody new takes that turn away
        tries.wait_s(f"10.0.{number // 250}.{number % 250}", 2.0)
    assert tries.wait_s("192.0.2.1", 1.0 + wait_s) == 0


def test_a_turn_is_used_once_and_only_for_a_while() -> None:
    tries = Tries(together=1, turn_s=10.0, kept_s=60.0)
    assert tries.wait_s("10.0.0.1", 0.0) == 0
    assert tries.wait_s("10.0.0.2", 0.0) == 10
    assert tries.wait_s("10.0.0.2", 4.0) == 6
    assert tries.wait_s("10.0.0.2", 10.0) == 0
    assert tries.wait_s("10.0.0.2", 10.0) == 10
    assert tries.wait_s("10.0.0.3", 10.0) == 20
    assert tries.wait_s("10.0.0.4", 90.0) == 0
    assert tries.wait_s("10.0.0.3", 91.0) == 9  # its turn was at 30 and went at 90


def test_the_address_heard_of_longest_ago_is_forgotten_and_no_other() -> None:
    tries = Tries(together=10_000)
    for _ in range(EACH):
        tries.wait_s("192.0.2.1", 0.0)
        tries.wait_s("192.0.2.2", 0.0)
    for number in range(MOST_ADDRESSES - 1):
        tries.wait_s(f"10.0.{number // 250}.{number % 250}", 1.0)
    assert tries.wait_s("192.0.2.2", 1.0) > 0
    assert tries.wait_s("192.0.2.1", 1.0) == 0


def test_of_ipv6_the_network_counts() -> None:
    assert network("2001:db8:1:2::5") == network("2001:db8:1:2:ffff::9") != network("2001:db8:1:3::5")
    assert network("fe80::1%eth0") == network("fe80::2%eth0")
    assert network("::ffff:192.0.2.1") == network("192.0.2.1") == "192.0.2.1" != network("192.0.2.2")
    assert network("") == ""
