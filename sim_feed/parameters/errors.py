"""What the simulated feed raises on purpose; the text is one clear line for a person."""


class ScenarioError(ValueError):
    """A scenario has a wrong key, type or range; names file, key, what was found and what is allowed."""


class FeedError(RuntimeError):
    """A simulated feed can't be offered: the address is in use, or a call came in the wrong order."""
