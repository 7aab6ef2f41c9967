"""Covariates as the columns of a linear model."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from vidseg.cohort.estimate import Floats


@dataclass(frozen=True, slots=True)
class Design:
    """``matrix`` (cases, 1 + terms): a column of ones, then one for each of ``terms``.

    ``reason`` says why the columns cannot be told apart; the matrix is then of no use.
    """

    matrix: Floats
    terms: tuple[str, ...]
    reason: str = ""


def is_number(values: pd.Series) -> bool:
    """Say whether a covariate enters as a number; true/false and all else are kinds."""
    return pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)


def references(table: pd.DataFrame, covariates: Sequence[str]) -> dict[str, str]:
    """Give the value that others are compared with, for each covariate that is not a number.

    It is the most frequent one; of equally frequent ones the first by the alphabet.
    """
    found = {}
    for name in covariates:
        known = table[name].dropna()
        if not is_number(table[name]) and len(known):
            counts = known.astype(str).value_counts()
            found[name] = min(counts.index, key=lambda text: (-int(counts[text]), text))
    return found


def design(table: pd.DataFrame, covariates: Sequence[str], reference: Mapping[str, str]) -> Design:
    """Build the columns: numbers less their mean, and each value of a kind but its reference.

    A covariate with one value only, one without its reference value, and covariates that
    determine each other are a reason and no model.
    """
    columns: list[Floats] = [np.ones(len(table))]
    terms: list[str] = []
    for name in covariates:
        values = table[name]
        if values.nunique() < 2:
            return Design(np.ones((len(table), 1)), (), f"{name} is the same in all cases")
        if name not in reference:
            numbers = values.to_numpy(dtype=np.float64)
            columns.append(numbers - numbers.mean())
            terms.append(f"{name}, for each 1 more")
            continue
        texts = values.astype(str)
        present = sorted(set(texts))
        if reference[name] not in present:
            reason = f"no case has {name} = {reference[name]}, the value to compare with"
            return Design(np.ones((len(table), 1)), (), reason)
        for text in present:
            if text != reference[name]:
                columns.append((texts == text).to_numpy().astype(np.float64))
                terms.append(f"{name}: {text} against {reference[name]}")
    matrix = np.column_stack(columns)
    if np.linalg.matrix_rank(matrix) < matrix.shape[1]:
        listed = ", ".join(covariates)
        return Design(matrix, tuple(terms), f"the covariates determine each other: {listed}")
    return Design(matrix, tuple(terms))
