"""The errors of the package: one tree, each leaf also the matching builtin.

::

    AntecurveError
    ├── InputError (ValueError)            a value that can't be used, with field, value, rule
    │   ├── FileFormatError                a file whose content can't be used
    │   ├── DropoutError                   a sound interface that lost samples
    │   └── WiringError                    elements that don't make a network
    ├── UnattainableError (ArithmeticError)  no passive network of this form makes the curve
    ├── NoCombinationError (LookupError)   no combination of parts meets the job
    ├── NoResultError (ValueError)         captures that tell nothing, or contradict each other
    ├── OutputExistsError (FileExistsError)  something would be overwritten
    └── MissingExtraError (ImportError)    a package is missing that this result needs

The package raises and never prints.  The command line turns `AntecurveError` into one
sentence on stderr and exit code 2, in one place.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from typing import Self

__all__ = [
    "AntecurveError",
    "DropoutError",
    "FileFormatError",
    "InputError",
    "MissingExtraError",
    "NoCombinationError",
    "NoResultError",
    "OutputExistsError",
    "UnattainableError",
    "WiringError",
]


class AntecurveError(Exception):
    """Base of every error that the package raises on purpose."""


class InputError(AntecurveError, ValueError):
    """A value that can't be used.

    Parameters
    ----------
    field : str
        Where the value stands, as the user wrote it, for example ``load.capacitance``.
    value : object
        The value received.
    rule : str
        What is allowed and, where it helps, what to do, as the end of a sentence.
    """

    def __init__(self, field: str, value: object, rule: str) -> None:
        self.field = field
        self.value = value
        self.rule = rule
        shown = " ".join(repr(value).split())
        if len(shown) > 80:
            shown = shown[:77] + "..."
        super().__init__(f"{field}: received {shown}; {rule}")

    @classmethod
    def without_value(cls, field: str, reason: str, rule: str) -> Self:
        """Make the error of something that has no value to show.

        Parameters
        ----------
        field : str
            What can't be used.
        reason : str
            What is wrong with it, in a few words.
        rule : str
            What to do, as the end of a sentence.

        Returns
        -------
        InputError
            To be raised.
        """
        error = cls(field, reason, rule)
        error.args = (f"{field}: {' '.join(reason.split())}; {rule}",)
        return error


class FileFormatError(InputError):
    """A file whose content can't be used; `field` names the file and the place in it."""

    @classmethod
    def unreadable(cls, path: object, reason: str, rule: str) -> FileFormatError:
        """Make the error of a file that can't be read at all.

        Parameters
        ----------
        path : object
            The file.
        reason : str
            What is wrong with it, in a few words.
        rule : str
            What to do, as the end of a sentence.

        Returns
        -------
        FileFormatError
            To be raised.
        """
        return cls.without_value(str(path), reason, rule)


class DropoutError(InputError):
    """A sound interface lost samples; playing once more may do."""


class WiringError(InputError):
    """Elements that don't make a network between input, output and ground."""


class UnattainableError(AntecurveError, ArithmeticError):
    """No passive network of the form makes the curve at the level, source and load.

    Parameters
    ----------
    form : str
        The network form.
    condition : str
        The violated condition with its numbers.
    remedy : str
        The nearest level, pole or loading that works.
    """

    def __init__(self, form: str, condition: str, remedy: str) -> None:
        self.form = form
        self.condition = condition
        self.remedy = remedy
        super().__init__(f"{form}: {condition}. {remedy[:1].upper()}{remedy[1:]}")


class NoCombinationError(AntecurveError, LookupError):
    """No combination of the candidate parts meets the job's limits.

    Parameters
    ----------
    limit : str
        The limit or range that leaves nothing.
    detail : str
        By how much it is missed and what to do.
    """

    def __init__(self, limit: str, detail: str) -> None:
        self.limit = limit
        self.detail = detail
        super().__init__(f"{limit}: {detail}")


class NoResultError(AntecurveError, ValueError):
    """Captures tell nothing of a unit, or are of more than one.

    Parameters
    ----------
    reasons : tuple of str
        What is wrong with them and what to do, a sentence each.
    """

    def __init__(self, reasons: tuple[str, ...]) -> None:
        self.reasons = reasons
        super().__init__("no result: " + "; ".join(reasons))


class OutputExistsError(AntecurveError, FileExistsError):
    """A file or folder exists already, and overwriting was not allowed."""

    def __init__(self, path: object) -> None:
        self.path = path
        super().__init__(
            f"{path} exists already; name another place or allow overwriting (--force)"
        )

    def __str__(self) -> str:
        return str(self.args[0])


class MissingExtraError(AntecurveError, ImportError):
    """A package is missing that this result needs.

    Parameters
    ----------
    extra : str
        The extra of the installation that brings it.
    purpose : str
        What needs it, as the start of a sentence.
    """

    def __init__(self, extra: str, purpose: str) -> None:
        self.extra = extra
        self.purpose = purpose
        super().__init__(f"{purpose} need another package: pip install 'antecurve[{extra}]'")
