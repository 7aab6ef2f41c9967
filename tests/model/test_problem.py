"""Problems and exceptions: severity by code, and errors that cross process borders."""

import pickle

import pytest

from vidseg.model.problem import (
    CODES,
    FormatError,
    LibraryError,
    MediaError,
    Problem,
    Severity,
    UsageError,
    VidsegError,
)


@pytest.mark.parametrize(
    "error",
    [
        FormatError("steps.csv", 3, "not a time"),
        MediaError("a.mp4", "no video"),
        LibraryError("newer"),
        UsageError("no such step"),
    ],
)
def test_exceptions_pickle_with_their_data(error: VidsegError) -> None:
    copy = pickle.loads(pickle.dumps(error))
    assert type(copy) is type(error)
    assert str(copy) == str(error)
    assert vars(copy) == vars(error)


def test_a_problem_takes_severity_from_its_code() -> None:
    problem = Problem.of("order-violated", "rhexis first", "steps.csv", 4)
    assert problem.severity is Severity.WARNING
    assert str(problem) == "steps.csv:4: warning [order-violated] rhexis first"


def test_an_unknown_code_is_a_bug() -> None:
    with pytest.raises(KeyError):
        Problem.of("no-such-code", "")


def test_no_code_has_two_severities() -> None:
    from vidseg.model import problem

    parts = [set(problem.ERRORS), set(problem.WARNINGS), set(problem.NOTES)]
    assert sum(len(part) for part in parts) == len(CODES) == len(set().union(*parts))
