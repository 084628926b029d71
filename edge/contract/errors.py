"""Every error that tailgrain raises on purpose.

TailgrainError                    anything a user can be told in one line
 +-- WrongInput                   wrong use or input: exit status 2
 |    +-- SettingsError           the settings file: which file, key, what was found, what is allowed
 |    +-- EntryError              an operator entry was refused: which key and why
 |    |    +-- AskAgain           an entry is hardly meant so: asked again, and kept with `sure`
 |    +-- CaptureError            a capture can't be opened or read
 |    +-- PortError               a serial or TCP port can't be opened
 |    +-- StoreError              the database is held by another writer, not empty, not ours
 +-- BrokerError                  no answer from the broker in time: exit status 2
 +-- AnswerBad                    the question was asked properly, the answer is bad: exit status 1

Library errors are translated with ``from``, so the cause stays readable in the log.
"""

from __future__ import annotations

from typing import Any, Self

from edge.contract.refusal import Refusal
from edge.contract.said import printable


class TailgrainError(Exception):
    """Base of all; its text is one clear line for a person, whatever stood in what was found."""

    exit_status = 2

    def __init__(self, text: str) -> None:
        super().__init__(printable(text))


class WrongInput(TailgrainError):
    """A file, option or value given by the user is not allowed.

    About a typed key it carries the `refusal` as data, and `who` refuses; its text is both in words.
    """

    def __init__(self, text: str, refusal: Refusal | None = None, who: str = "") -> None:
        super().__init__(text)
        self.refusal = refusal
        self.who = who

    @classmethod
    def of(cls, who: str, refusal: Refusal) -> Self:
        """The error of a refusal; `who` begins its text and may be empty."""
        line = refusal.line()
        return cls(f"{who}: {line}" if who else line, refusal, who)


class SettingsError(WrongInput):
    """The settings file has a wrong key, type, range or clash; nothing is started."""


class EntryError(WrongInput):
    """An operator entry was refused as a whole; nothing of it is kept."""

    @property
    def kind(self) -> str:
        """The entry's name on the wire; empty where the refusal does not say."""
        return self.who


class AskAgain(EntryError):
    """An entry is hardly meant so; nothing of it is kept unless it comes again with `sure`.

    `suggest`: whole keys of the entry as they were perhaps meant, None where nothing can be guessed.
    """

    def __init__(self, words: str, suggest: dict[str, Any] | None = None) -> None:
        super().__init__(words)
        self.suggest = suggest


class CaptureError(WrongInput):
    """A capture can't be opened, or is no capture."""


class PortError(WrongInput):
    """A serial device or TCP address can't be opened or is held by another program."""


class StoreError(WrongInput):
    """The database is held by another writer, holds data where none may be, or is not ours."""


class StoreAway(StoreError):
    """The disk of the database is full, read-only or failing; unlike wrong settings this may pass by itself."""

    exit_status = 1


class BrokerError(TailgrainError):
    """The broker or the daemon behind it did not answer in time."""


class AnswerBad(TailgrainError):
    """The check was made and failed (a broken record, a kit that is not healthy)."""

    exit_status = 1
