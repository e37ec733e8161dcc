"""The mistakes that Lightwatch tells people about.

::

    LightwatchError
    ├── NotUnderstood      what was given cannot be read        (ValueError, 422)
    ├── UnknownAsset       no such light, circuit or section    (LookupError, 404)
    ├── Conflict           it contradicts what is on record     (409)
    ├── NotEnoughEvidence  too little was seen to say anything  (422)
    └── Unavailable        the database is in trouble: again    (503)

A person's mistake gets one of these, saying what, where and what was expected.
A programmer's mistake gets a builtin.
"""


class LightwatchError(Exception):
    """Anything a person can mend; shown as one line, never as a traceback."""

    driver = ""
    """What the database said: for the log and the command line, never for a client."""


class NotUnderstood(LightwatchError, ValueError):
    """What was given cannot be read."""


class UnknownAsset(LightwatchError, LookupError):
    """No such light, circuit, section or store."""


class Conflict(LightwatchError):
    """It contradicts what is on record."""


class NotEnoughEvidence(LightwatchError):
    """Too little was seen to say anything."""


class Unavailable(LightwatchError):
    """The database does not answer, is full or is busy; the same again may go well.

    It is not known whether what was being written is kept.
    """
