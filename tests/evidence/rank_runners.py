"""Reference cases of rank tests: part of `runners`, apart for length. Wilcoxon, sign, t and Page are scipy's own."""

from collections.abc import Callable
from typing import Any

import numpy as np

from app.evidence import agreement as ranks

Table = dict[str, list[str]]


def _square(table: Table) -> tuple[list[str], np.ndarray]:
    """Treatments in the order they appear, and (blocks, treatments) with NaN for a gap; block, treatment, value columns."""
    block, treatment, value = table
    blocks, treatments = list(dict.fromkeys(table[block])), list(dict.fromkeys(table[treatment]))
    found = np.full((len(blocks), len(treatments)), np.nan)
    for b, t, v in zip(table[block], table[treatment], table[value], strict=True):
        if v not in ("", "NA"):
            found[blocks.index(b), treatments.index(t)] = float(v)
    return treatments, found


def friedman(case: dict, tables: list[Table]) -> dict[str, Any]:
    treatments, table = _square(tables[0])
    test = ranks.friedman(table)
    return {
        "blocks": table.shape[0],
        "treatments": table.shape[1],
        "rank_sums": dict(zip(treatments, test.rank_sums, strict=True)),
        "friedman_chi2": test.chi2,
        "df": test.df,
        "p_chi2": test.p,
        "A1": test.squares,
        "C1": test.correction,
        "iman_davenport_F": test.f,
        "F_df1": test.f_df[0],
        "F_df2": test.f_df[1],
        "p_F": test.p_f,
        "kendall_W_tie_corrected": test.w,
        "kendall_W_uncorrected": test.w_uncorrected,
        "p_exact": test.p_exact,
    }


def sign_flip(case: dict, tables: list[Table]) -> dict[str, Any]:
    from scipy import stats

    values = [float(v) for v in tables[0]["diff"]]
    test, t = ranks.sign_flip(values), stats.ttest_1samp(values, 0.0)
    kept = np.array([v for v in values if v])
    positives = int((kept > 0).sum())
    return {
        "n": test.n,
        "sum": test.sum,
        "mean": test.sum / test.n,
        "count_ge": test.as_high,
        "total": test.total,
        "p_one_sided_greater": test.p_greater,
        "p_two_sided": test.p_two_sided,
        "t_statistic": float(t.statistic),
        "t_p_two_sided": float(t.pvalue),
        "wilcoxon": {
            **_wilcoxon(kept),
            "n_nonzero": len(kept),
            "ties_in_abs": len(set(np.abs(kept))) < len(kept),
            "sign_positives": positives,
            "sign_test_p_two_sided": float(stats.binomtest(positives, len(kept)).pvalue),
        },
    }


def _wilcoxon(differences: np.ndarray) -> dict[str, float]:
    from scipy import stats

    greater = stats.wilcoxon(differences, alternative="greater", method="exact")
    both = stats.wilcoxon(differences, method="exact")
    return {"V": float(greater.statistic), "p_exact_greater": float(greater.pvalue), "p_exact_two_sided": float(both.pvalue)}


def wilcoxon_signed_rank(case: dict, tables: list[Table]) -> dict[str, Any]:
    x, y = (np.array([float(v) for v in tables[0][name]]) for name in ("x", "y"))
    return _wilcoxon(x - y)


def page_trend(case: dict, tables: list[Table]) -> dict[str, Any]:
    """Columns of the table stand in the predicted order."""
    from scipy import stats

    names = [name for name in tables[0] if name != "block"]
    table = np.array([[float(v) for v in tables[0][name]] for name in names]).T
    ranked = stats.rankdata(table, axis=1)
    test = stats.page_trend_test(table, method="exact")
    return {
        "n_blocks": table.shape[0],
        "k": table.shape[1],
        "rank_sums": ranked.sum(axis=0).tolist(),
        "L": float(test.statistic),
        "p_exact_greater": float(test.pvalue),
        "ties": any(len(set(row)) < len(row) for row in table.tolist()),
    }


def durbin(case: dict, tables: list[Table]) -> dict[str, Any]:
    treatments, table = _square(tables[0])
    test = ranks.durbin(table)
    return {
        "t": test.t,
        "b": test.b,
        "k": test.k,
        "r": test.r,
        "lambda": test.together,
        "rank_sums": dict(zip(treatments, test.rank_sums, strict=True)),
        "A": test.squares,
        "C": test.correction,
        "durbin_chi2": test.chi2,
        "df": test.df,
        "p_chi2": test.p,
        "conover_F": test.f,
        "F_df1": test.f_df[0],
        "F_df2": test.f_df[1],
        "p_F": test.p_f,
    }


def skillings_mack(case: dict, tables: list[Table]) -> dict[str, Any]:
    treatments, table = _square(tables[0])
    test = ranks.skillings_mack(table)
    sums = dict(zip(treatments, test.weighted_sums, strict=True))
    return {"weighted_sums": sums, "skillings_mack": test.chi2, "df": test.df, "p_chi2": test.p}


RANK_RUNNERS: dict[str, Callable[[dict, list[Table]], dict[str, Any]]] = {
    "friedman": friedman,
    "sign_flip": sign_flip,
    "wilcoxon_signed_rank": wilcoxon_signed_rank,
    "page_trend": page_trend,
    "durbin": durbin,
    "skillings_mack": skillings_mack,
}
