"""A simulated operator who follows the advice on a simulated machine, whose own truth judges the end against the start.

The machine is `sim_feed.machine` (its laws and sources stand there) over `sim_feed.crop`; grain lost is its truth. It knows
no tank quality, so that is added here, with directions from published work and invented sizes: cracked grain grows
exponentially with the thresher's speed (rapeseed, International Agrophysics 1992, 6:103) and with what goes round; trash grows
with open sieves and falls with air; heads stay unthreshed where threshing is gentle (common practice). The kit sees pulses, a
returns beam, looks and hand samples, all with their noise; verdicts come from `edge.judge.contrast`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import exp, sin

import numpy as np

from edge.judge.advice.advise import Advice, advise
from edge.judge.advice.settingsbook import SettingsBook
from edge.judge.advice.situation import Situation, Tried
from edge.judge.advice.worth import worth
from edge.judge.verdict import samples
from edge.judge.verdict.contrast import BlockSample, difference, log_ratio
from edge.judge.verdict.project import minutes_more
from sim_feed.field.crop import Crop, Floats
from sim_feed.field.machine import Machine
from sim_feed.parameters.structs import DEFAULT_SETTINGS, TICK_S, CropParameters, MachineParameters

POINTS = ("separator", "cleaning")
ROUND_MIN, ROUNDS = 6, 24
SETTLING_S, BLOCK_S = 30, 10
PRICE, TRASH_DISCOUNT, CRACKED_DISCOUNT = 300.0, 3.0, 1.0
KERNELS = 500
WRITTEN_FOR = ("fan fast", "fan slow", "top closed", "rotor slow", "concave wide", "bottom tight", "rotor hard", "two at once")
MACHINE_FAULTS = ("top sieve's readout off", "fan belt slips", "worn concave", "crop turns tough")
KIT_FAULTS = ("pulses mislead", "factor off", "beam dusty", "hearing comes and goes")
NOT_WRITTEN_FOR = tuple(fault for both in zip(MACHINE_FAULTS, KIT_FAULTS, strict=True) for fault in both)
"""No rule looks for these: a machine or crop that is wrong at right settings, or a kit that sees wrongly beside bad ones."""

WORTH_MENDING = 0.994
"""Bad is what costs the tank at least 0.6 % of its value."""

BAD = {
    "fan fast": {"fan_rpm": 1.16}, "fan slow": {"fan_rpm": 0.86}, "top closed": {"top_sieve_mm": 0.62},
    "rotor slow": {"rotor_rpm": 0.80}, "concave wide": {"concave_mm": 1.6}, "bottom tight": {"bottom_sieve_mm": 0.6},
    "rotor hard": {"rotor_rpm": 1.25}, "two at once": {"fan_rpm": 1.13, "rotor_rpm": 0.86},
}  # fmt: skip


@dataclass
class World:
    """One machine in one crop, its bad settings, and what is wrong with machine or kit that the rules don't know of."""

    random: np.random.Generator
    parameters: MachineParameters
    crop: Crop
    fault: str
    settings: dict[str, float]
    speed_kmh: float = 7.0
    factor_error: float = 1.0
    share_fan: float = -0.2
    share_rotor: float = 0.15
    returns_shift: float = 0.0
    offset: dict[str, float] = field(default_factory=dict)
    slip: float = 1.0
    tough: float = 1.0
    hearing: float = 0.0
    along_m: float = 0.0

    def true(self, settings: dict[str, float]) -> dict[str, float]:
        """What the machine really does at these readings."""
        found = {name: value + self.offset.get(name, 0.0) for name, value in settings.items() if name != "speed_kmh"}
        found["fan_rpm"] *= self.slip
        return found

    def ratio(self, settings: dict[str, float]) -> dict[str, float]:
        """True settings over the machine's reference."""
        return {name: value / self.parameters.reference[name] for name, value in self.true(settings).items()}

    def flows(self, settings: dict[str, float], speed_kmh: float, along: Floats, tough: Floats) -> tuple[Floats, Floats, Floats]:
        """Separator loss, cleaning loss, returns share for ground at `along` (m), one value a tick."""
        grain = self.crop.yield_kg_m2(along, np.zeros_like(along)) * speed_kmh / 3.6 * self.parameters.cut_width_m
        machine = Machine(replace(self.parameters, start=self.true(settings)))
        done = machine.run(grain, grain * tough, [], np.ones_like(grain))
        return done.separator_loss, done.cleaning_loss, done.returns / self.parameters.returns_full_t_h * 3.6

    def quality(self, settings: dict[str, float], returns: float) -> dict[str, float]:
        """True percent of cracked grain, trash and unthreshed heads in the tank."""
        r = self.ratio(settings)
        return {
            "cracked_pct": 0.7 * exp(4.0 * (r["rotor_rpm"] - 1)) * r["concave_mm"] ** -0.5 * (1 + max(returns - 0.4, 0.0)),
            "trash_pct": 0.5 * r["bottom_sieve_mm"] ** 1.5 * r["top_sieve_mm"] ** 0.7 * r["fan_rpm"] ** -2.0,
            "unthreshed_pct": 0.25 * r["rotor_rpm"] ** -4.0 * r["concave_mm"] ** 1.5,
        }

    def value(self, settings: dict[str, float], speed_kmh: float, tough: float) -> tuple[float, float]:
        """Truth on one fixed stretch of this crop: loss in kg/ha, and value in the tank in money/ha."""
        seconds = 600
        along = np.arange(1, int(seconds / TICK_S) + 1) * TICK_S * 7.0 / 3.6
        standing = self.crop.yield_kg_m2(along, np.zeros_like(along))
        tough_field = self.crop.toughness(along, np.zeros_like(along), np.zeros_like(along)) * tough
        separator, cleaning, returns = self.flows(settings, speed_kmh, along, tough_field)
        settled = slice(400, None)
        area = speed_kmh / 3.6 * self.parameters.cut_width_m * TICK_S * len(along[settled])
        loss = float((separator + cleaning)[settled].sum()) * TICK_S / area * 10_000
        crop = float(standing[settled].mean()) * 10_000
        quality = self.quality(settings, float(returns[settled].mean()))
        heads = quality["unthreshed_pct"] / 100 * crop  # what stays in the head is lost too, behind or in the tank
        tank_t = (crop - loss - heads) / 1000
        paid = PRICE - TRASH_DISCOUNT * quality["trash_pct"] - CRACKED_DISCOUNT * quality["cracked_pct"]
        return loss, tank_t * paid


@dataclass
class Span:
    """Work under one set of settings, in blocks of 10 s: pulses of each point, returns percent, area in m2."""

    settings: dict[str, float]
    speed_kmh: float
    pulses: list[list[float]] = field(default_factory=lambda: [[], []])
    returns: list[float] = field(default_factory=list)
    area: list[float] = field(default_factory=list)
    at_s: list[float] = field(default_factory=list)
    stretch: list[int] = field(default_factory=list)
    samples: list[dict[str, float]] = field(default_factory=list)


def world(seed: int, fault: str) -> World:
    """A machine with bad settings; `fault` says which, or what else is wrong while other settings are bad too."""
    random = np.random.default_rng((20, seed))
    reference = {name: value * float(random.uniform(0.92, 1.08)) for name, value in DEFAULT_SETTINGS.items()}
    walkers = bool(random.random() < 0.3)
    t_ha = float(random.uniform(2.0, 4.5))
    parameters = MachineParameters(
        separator="walkers" if walkers else "rotor", pre_sieve="adjustable" if random.random() < 0.5 else "fixed",
        separator_exponent=2.4 if walkers else 1.7, separator_loss_pct=float(random.uniform(0.5, 1.0)),
        cleaning_loss_pct=float(random.uniform(0.35, 0.7)), reference=reference, reference_mog_kg_s=5.0 * t_ha / 2.8,
        returns_t_h=float(random.uniform(0.9, 1.5)),
    )  # fmt: skip
    crop = Crop(CropParameters(yield_t_ha=t_ha), random)
    made = World(random, parameters, crop, fault, {name: round(value, 1) for name, value in reference.items()})
    good = dict(made.settings)
    _, best = made.value(good, made.speed_kmh, 1.0)
    if fault in MACHINE_FAULTS:  # every setting reads as it should; the fault alone makes it bad
        for power in (1.0, 1.5, 2.0, 2.5):
            _break(made, fault, power, parameters)
            if made.value(good, made.speed_kmh, made.tough)[1] < WORTH_MENDING * best:
                break
        return made
    bad = fault if fault in BAD else str(random.choice(sorted(BAD)))
    if fault == "pulses mislead":
        made.share_fan, made.share_rotor = -0.8, 0.5
    elif fault == "factor off":
        made.factor_error = float(random.choice([0.6, 1.6]))
    elif fault == "beam dusty":
        made.returns_shift = 22.0
    elif fault == "hearing comes and goes":
        made.hearing = 0.25
    # A setting that hardly matters here is joined by the fan, until the tank pays for it.
    for power, air in ((1.0, 0.0), (1.4, 0.0), (1.4, 0.5), (1.4, 1.0), (1.4, 1.5)):
        times = {name: BAD[bad].get(name, 1.0) ** power for name in good}
        times["fan_rpm"] *= BAD["fan fast"]["fan_rpm"] ** air
        made.settings = {name: round(value * times[name], 1) for name, value in good.items()}
        if made.value(made.settings, made.speed_kmh, 1.0)[1] < WORTH_MENDING * best:
            break
    return made


def _break(made: World, fault: str, power: float, parameters: MachineParameters) -> None:
    """What is wrong with the machine or crop while its settings read right."""
    if fault == "top sieve's readout off":
        made.offset = {"top_sieve_mm": -4.0 * power}
    elif fault == "fan belt slips":
        made.slip = 0.9**power
    elif fault == "worn concave":
        made.offset = {"concave_mm": 5.0 * power}
        made.parameters = replace(parameters, separator_loss_pct=1.3**power * parameters.separator_loss_pct)
    elif fault == "crop turns tough":
        made.tough = 1.2**power


class Operator:
    """Works, looks, follows advice one step at a time."""

    def __init__(self, seed: int, fault: str) -> None:
        self.world = world(seed, fault)
        self.random = self.world.random
        self.seconds = 0.0
        self.spans = [Span(dict(self.world.settings), self.world.speed_kmh)]
        self.changes: list[tuple[str, float, float, bool]] = []
        self.look: dict[str, str] = {}
        self.sample: dict[str, float] = {}
        self.told: list[Advice] = []
        self.k = [0.0, 0.0]
        self.rounds = 0
        self._closed: list[Tried] = []
        self.book = SettingsBook()

    @property
    def now(self) -> Span:
        """The span that is being worked."""
        return self.spans[-1]

    def work(self) -> None:
        """Some minutes: flows, pulses, beam."""
        w, span = self.world, self.now
        self.rounds += 1
        tough_now = w.tough if self.rounds > 1 else 1.0
        step = span.speed_kmh / 3.6 * TICK_S
        ticks = int(ROUND_MIN * 60 / TICK_S)
        along = w.along_m + np.arange(1, ticks + 1) * step
        w.along_m = float(along[-1])
        drift = np.full(ticks, self.seconds)
        tough = w.crop.toughness(along, np.zeros(ticks), drift) * tough_now
        separator, cleaning, returns = w.flows(span.settings, span.speed_kmh, along, tough)
        first = int(SETTLING_S / TICK_S)
        block = int(BLOCK_S / TICK_S)
        r = w.ratio(span.settings)
        heard = exp(w.hearing * sin(self.seconds / 240))
        shares = 0.03 * heard * r["rotor_rpm"] ** w.share_rotor, 0.0255 * heard * r["fan_rpm"] ** w.share_fan
        for at in range(first, ticks - block + 1, block):
            where = slice(at, at + block)
            for i, loss in enumerate((separator, cleaning)):
                grains = float(loss[where].sum()) * TICK_S / 38e-6 * shares[i]
                clumps = self.random.poisson(grains / 1.25)
                count = clumps + (self.random.negative_binomial(clumps, 0.8) if clumps else 0)
                span.pulses[i].append(float(count))
            full = float(returns[where].mean()) * 100 + w.returns_shift + float(self.random.normal(0, 2.0))
            span.returns.append(full)
            span.area.append(step * block * w.parameters.cut_width_m)
            span.at_s.append(self.seconds + at * TICK_S + BLOCK_S / 2)
            span.stretch.append(self.rounds)
        self.seconds += ROUND_MIN * 60
        if self.k == [0.0, 0.0]:  # tray tests at the start: truth over pulses, with their error and the fault's
            for i, loss in enumerate((separator, cleaning)):
                grams = float(loss[first : first + block * len(span.area)].sum()) * TICK_S * 1e6
                self.k[i] = grams / max(sum(span.pulses[i]), 1.0) * exp(0.12 * self.random.standard_normal()) * w.factor_error

    def see(self) -> None:
        """A look at returns and tank."""
        w, span = self.world, self.now
        r = w.ratio(span.settings)
        returns = float(np.mean(span.returns[-30:])) / 100 if span.returns else 0.4
        true = w.quality(span.settings, returns)
        self.sample = {
            key: round(100 * self.random.binomial(KERNELS, min(pct / 100, 1.0)) / KERNELS, 1) for key, pct in true.items()
        }
        span.samples.append(self.sample)
        chaff = r["rotor_rpm"] ** 1.5 * r["concave_mm"] ** -0.4 * r["fan_rpm"] ** -1.5 * r["top_sieve_mm"] ** 1.5
        self.look = {
            "clean_grain": _amount(1 / r["bottom_sieve_mm"], 1.2, 1.5),
            "unthreshed_heads": _amount(true["unthreshed_pct"], 0.6, 1.5),
            "chaff": _amount(chaff, 1.25, 1.7),
        }

    def situation(self) -> Situation:
        """What the kit knows."""
        w, span, p = self.world, self.now, self.world.parameters
        area = sum(span.area[-90:])
        rates = [sum(span.pulses[i][-90:]) / area if area else None for i in (0, 1)]
        kg = [None if rate is None else rate * self.k[i] / 100 for i, rate in enumerate(rates)]
        yields = w.crop.parameters.yield_t_ha
        page = self.book.page("wheat")
        return Situation(
            crop="wheat", crop_kind="cereal", price_per_t=PRICE, yield_t_ha=yields, trash_discount=TRASH_DISCOUNT,
            cracked_discount=CRACKED_DISCOUNT, limit_kg_ha=yields * 20, returns_limit_pct=80.0,
            loss_kg_ha=None if kg[0] is None or kg[1] is None else kg[0] + kg[1], separator_kg_ha=kg[0], cleaning_kg_ha=kg[1],
            returns_pct=float(np.mean(span.returns[-90:])) if span.returns else None, speed_kmh=span.speed_kmh,
            minutes=len(span.area) * BLOCK_S / 60, look=self.look, sample=self.sample, calibration="good",
            settings={**span.settings, "speed_kmh": span.speed_kmh}, separator=p.separator, fan=p.fan, pre_sieve=p.pre_sieve,
            returns_to=p.returns_to, tried=self.tried(), good_set=page.to_plain() if page is not None else None,
        )  # fmt: skip

    def tried(self) -> tuple[Tried, ...]:
        """Every change with its verdict by the kit's own statistics."""
        found = list(self._closed)
        for i, (what, was, to, back) in list(enumerate(self.changes))[len(found) :]:
            before, after = self.spans[i], self.spans[i + 1]
            verdict, ratio, more = self._verdict(before, after, what)
            found.append(Tried(what, was, to, verdict, len(after.area) * BLOCK_S / 60, more, ratio, back))
        self._closed = found[:-1]  # what another change has ended is judged for good
        return tuple(found)

    def _verdict(self, before: Span, after: Span, what: str) -> tuple[str, float | None, float | None]:
        if min(len(before.area), len(after.area)) < 18:
            return "not enough data", None, ROUND_MIN
        sample = self._sample_of(before, after)
        effect = log_ratio(sample)
        if effect is None:
            return "not enough data", None, ROUND_MIN
        low, high = effect.estimate - effect.half_width, effect.estimate + effect.half_width
        returns = difference(sample)
        risen = returns is not None and returns.estimate - returns.half_width > 0
        for key in ("trash_pct", "cracked_pct"):
            risen |= samples.rose([one[key] for one in before.samples], [one[key] for one in after.samples])
        if low > 0:
            return "worse", exp(effect.estimate), None
        if high < 0:
            return "mixed" if risen else "better", exp(effect.estimate), None
        more = minutes_more(sample, effect, abs(effect.estimate))
        return "no detectable change", exp(effect.estimate), more

    def _sample_of(self, before: Span, after: Span) -> BlockSample:
        k = np.array(self.k) * 2 / sum(self.k)
        columns: list[list[float]] = [[] for _ in range(8)]
        for side, span in ((0, before), (1, after)):
            n = len(span.area)
            pulses = k[0] * np.array(span.pulses[0]) + k[1] * np.array(span.pulses[1])
            poisson = k[0] ** 2 * np.array(span.pulses[0]) + k[1] ** 2 * np.array(span.pulses[1])
            parts = ([side] * n, span.stretch, span.at_s, [BLOCK_S] * n, span.area, [span.speed_kmh] * n, pulses, poisson)
            for column, part in zip(columns, parts, strict=True):
                column.extend(part)
        returns = np.array(before.returns + after.returns)
        whole = [np.array(column, dtype=np.int64) for column in columns[:2]]
        return BlockSample(*whole, *(np.array(column, dtype=np.float64) for column in columns[2:]), returns)

    def follow(self) -> bool:
        """One round: work, ask, do as told. False when nothing more is advised."""
        self.work()
        if self.rounds == 1:
            self.see()
        situation = self.situation()
        self.book.consider(situation, worth(situation), self.seconds)
        advice = advise(situation)
        if advice is None:  # too early
            return True
        self.told.append(advice)
        if advice.kind in ("look", "wait") or advice.step is None:
            if advice.kind == "look":
                self.see()
            return advice.kind != "hold" or self.rounds < 3  # a crop that has just turned tough is not yet seen
        step = advice.step
        assert step.to is not None
        self.see()  # a look before the change, so that both sides of it are known
        settings, speed = dict(self.now.settings), self.now.speed_kmh
        was = speed if step.what == "speed_kmh" else settings[step.what]
        if step.what == "speed_kmh":
            speed = step.to
        else:
            settings[step.what] = step.to
        back = step.size == "back"
        self.changes.append((step.what, was, step.to, back))
        self.spans.append(Span(settings, speed))
        self.look = {}
        self.work()
        self.see()
        return True


def _amount(value: float, some: float, much: float) -> str:
    return "much" if value >= much else "some" if value >= some else "none"


@dataclass(frozen=True)
class Day:
    """How a day went: loss in kg/ha and value in the tank in money/ha, by truth, at its start and end; the advice told."""

    fault: str
    loss: tuple[float, float]
    value: tuple[float, float]
    steps: int
    told: tuple[Advice, ...]

    @property
    def won(self) -> bool:
        """More value in the tank than at the start."""
        return self.value[1] > self.value[0]


def day(seed: int, fault: str) -> Day:
    """Follow the advice for some hours; compare the same ground, crop and straw under first and last settings."""
    operator = Operator(seed, fault)
    first = operator.now
    for _ in range(ROUNDS):
        if not operator.follow():
            break
    last = operator.now
    before = operator.world.value(first.settings, first.speed_kmh, operator.world.tough)
    after = operator.world.value(last.settings, last.speed_kmh, operator.world.tough)
    return Day(fault, (before[0], after[0]), (before[1], after[1]), len(operator.changes), tuple(operator.told))


def days(count: int) -> list[Day]:
    """As many of one half as of the other."""
    found = []
    for seed in range(count):
        kinds = WRITTEN_FOR if seed % 2 == 0 else NOT_WRITTEN_FOR
        found.append(day(seed, kinds[seed // 2 % len(kinds)]))
    return found
