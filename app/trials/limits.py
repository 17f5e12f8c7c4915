"""What is not proven, what the settings of the simulated world mean in words, and what the core is checked against."""

from dataclasses import dataclass

NOT_PROVEN = (
    "No real programme was seen. Every rate on this page is of programmes that we simulated ourselves, with settings of our own.",
    "The thresholds of the rule were chosen on this same simulated world. Other seeds confirm them; other worlds may not.",
    "With two or three drivers and sessions, how far drivers and days differ in their liking for a part is mostly assumed, not learned: "
    "the noise of the panel comes from the prior. What a programme's other questions teach of it makes a verdict more careful with a "
    "loud panel and changes little with a steady one; it was tried on simulated panels of three and four drivers only.",
    "If drivers really differ more than assumed, equal parts are adopted more often; see the situation “drivers disagree”.",
    "The rates are those of the first decisive verdict when the sheet is read after each of up to six sessions. More looks need more.",
    "They hold per question. A programme with many equal questions will adopt some of them.",
    "Three variants and more were tried with three drivers only; more than four variants were never tried.",
    "An order in which the rival is always driven last can't be told apart from the track coming up; such runs end in a retest.",
    "Durability is looked at again and again: a part exactly at its limit passes at some look in about half of programmes.",
    "Advice on what to test next was calibrated on the same simulated world.",
)


@dataclass(frozen=True, slots=True)
class Reference:
    """A kind of reference case that the core reproduces; `cases` are folders under tests/evidence/cases."""

    kind: str
    source: str
    cases: tuple[str, ...]


REFERENCES = (
    Reference("Ordinal models of ratings, without and with drivers and sessions as random effects, also where they separate",
              "R package ordinal (clm, clmm) on the wine data of Randall (1989), its soup data, and simulated panels",
              ("A-wine-clm-logit", "A-wine-clm-probit", "A-wine-clmm-logit-laplace", "A-wine-clmm-probit-laplace",
               "A-wine-clmm-logit-agq10", "A-soup-clmm-logit-laplace", "A-panel1-driver", "A-panel2-crossed",
               "A-panel4-separated", "A-panel6-all-boundary")),
    Reference("Rank and sign-flip tests of whether drivers rank alike",
              "examples of Conover (1999), Hollander & Wolfe (1973), Siegel (1956) and Fisher (1935)",
              ("B-durbin-conover-icecream", "B-friedman-conover-grass", "B-friedman-exact-5x3", "B-friedman-rounding-times",
               "B-kendall-w-siegel-3x6", "B-page-cotton", "B-signflip-fisher-darwin", "B-skillings-mack-rhythmicity",
               "B-wilcoxon-hamilton")),
    Reference("Paired comparisons, with and without ties", "Agresti (2002), Springall (1973), R package BradleyTerry2",
              ("C-bt-baseball", "C-bt-springall-halfties", "C-bt-winless", "C-davidson-panel", "C-davidson-springall")),
    Reference("Linear mixed models, as for lap times", "R package lme4; Davies (1947), Pinheiro & Bates (2000), Bates et al. (2015)",
              ("D-dyestuff", "D-laps-l1", "D-laps-l2", "D-laps-l5", "D-machines-interaction", "D-penicillin-crossed",
               "D-sleepstudy-reml", "D-sleepstudy-ri-ml")),
    Reference("Failure rates, test lengths and wear-out", "Garwood (1936), Newcombe (1998), R survival, the NIST/SEMATECH handbook",
              ("E-binomial-plan-basic", "E-clopper-pearson", "E-km-gehan-6mp", "E-logrank-aml", "E-mtbf-factors", "E-poisson-garwood",
               "E-poisson-rate", "E-poisson-ratio", "E-success-run", "E-weibull-ball-bearings", "E-weibull-nist-8413",
               "E-weibull-revisions-sim")),
    Reference("What a plan can tell apart, and what another test is worth", "closed forms and textbook aliases",
              ("G-alias-basic", "G-estimability", "H-evsi-normal", "H-prob-superiority")),
)  # fmt: skip

SETTINGS = (
    ("sessions", "sessions of a programme, each read when it closes", ""),
    ("absent", "chance that a driver misses a session", ""),
    ("lost", "chance that a run gives nothing", ""),
    ("driver", "drivers differ in level, SD", "points"),
    ("driver_session", "a driver's day, SD", "points"),
    ("driver_variant", "a driver's own liking for a part, SD of the difference", "points"),
    ("session_variant", "a day's own effect of a part, SD of the difference", "points"),
    ("halo", "what all marks of a run share, SD", "points"),
    ("noise", "noise of one mark, SD", "points"),
    ("scale_use", "drivers use the scale more or less widely, relative SD", ""),
    ("drift", "marks rise as grip comes up", "points"),
    ("laps", "laps of a run", ""),
    ("lap_s", "lap time", "s"),
    ("lap_driver_variant", "a driver's own gain on the lap, SD of the difference", "%"),
    ("lap_session_variant", "a day's own gain on the lap, SD of the difference", "%"),
    ("lap_run", "a run's own pace, SD", "%"),
    ("lap_noise", "one lap, SD", "%"),
    ("bad_share", "share of laps spoiled by a mistake", ""),
    ("bad_flagged", "share of those that somebody flagged", ""),
    ("track", "the track comes up within a session by", "%"),
)
"""Setting of the simulated world, in words, unit; those that matter most."""
