"""Vibration backgrounds learned by themselves: when one takes effect, when it is not believed, and when it is taken back.

What the plates count with the machine empty is only vibration while it leaves the tray tests their pulses: a tray that held
grain shows that most of what was counted beside it was grain. A stretch that says otherwise (a stand with something loose in
the machine, a plate that was knocked) is told, and is not pooled with the others.
"""

from __future__ import annotations

from edge.reckon.kitstate import KitState


class LearnedBackground:
    """Decides on the automatic background of one kit."""

    def __init__(self, kit: KitState) -> None:
        self._kit = kit

    def crop_entered(self) -> None:
        """The crop is entered after quiet time, so that one figure holds for a whole pass."""
        kit, quiet = self._kit, self._kit.quiet
        assert quiet is not None
        if not quiet.is_automatic(kit.points):
            quiet.pool()  # settings or an idle run hold; a kit without them may need it later
            return
        crop = kit.now.crop_number
        stretch_hz = quiet.stretch_hz(kit.points)
        if not kit.calibration.bears(stretch_hz, crop, quiet.stretch_s):
            quiet.drop_stretch()
            self._doubt(sum(stretch_hz))
            return
        if not quiet.pool():
            return
        pooled_hz = quiet.vibration_hz(kit.points)
        if not kit.calibration.bears(pooled_hz, crop):
            self._doubt(sum(pooled_hz))
            return
        if quiet.use(kit.points):
            kit.refit()
            kit.background_changed = True
        if kit.calibration.doubted_hz:
            self._doubt(0.0)

    def tests_judged(self) -> None:
        """A tray test came in: what was believed before it may leave it no pulses."""
        kit, quiet = self._kit, self._kit.quiet
        if quiet is None or not quiet.in_force(kit.points):
            return
        found = kit.vibration_hz()
        if not kit.calibration.bears(found, kit.now.crop_number):
            quiet.take_back(kit.points)
            kit.refit()
            self._doubt(sum(found))

    def _doubt(self, hz: float) -> None:
        """What is not believed is told in the state of the calibration, and goes on record; 0 ends the doubt."""
        if hz != self._kit.calibration.doubted_hz:
            self._kit.calibration.doubted_hz = hz
            self._kit.background_changed = True
            self._kit.status.forget()
