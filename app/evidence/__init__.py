"""From debrief marks to a verdict, in pure functions: the standard library, numpy and scipy only.

Reading guide. Start at `story.roll_up`, which tells the whole story on one screen, then follow the order it calls:

    inputs        what was filed: the question's rule, one `Mark` per run and attribute, and the `rows` beside them
    refusals      what makes no sense, said in sentences
    panel         what the drivers said: `brackets`, driver effects, votes. Counted from runs, never modelled
    ratings       what enters the fit, and what the fit says of each variant (`nested`: the ordinal model with priors)
    preferences   forced choices, a hierarchical probit;  agreement: do drivers rank alike?
    laps          `lap_values` per run, then `lap_model` over runs with each session's own drift
    failures      exposure and failures against a limit and the control (`survival` for wear-out)
    readings      gauge readings against limits with a guard band
    conditions    does the gain hang on the conditions, and what is it valid for?
    design_check  could something else explain the difference? aliases, inflation, one driver, one session
    verdict       adopt / reject / retest / setting, with the clause that decides (`rule`, `gates`, `criteria`)
    outlook       what a next session would settle
    panel_noise   what the programme's other questions have taught about this panel
    disagreements where two readings of the same runs point different ways
    results       the frozen answers of all of the above, with `findings`; `storing` is their JSON form

Every modelled criterion comes as one `fitted.Fitted`, so the rule never asks what it was fitted from. The same models by
plain maximum likelihood (`ordinal`, `linear_mixed`, `paired_comparison`) are how the core is checked against the outside.

*What the drivers said* and *what may be concluded* are two parts of one sheet and may differ; the sheet then says why.
Every threshold is this project's own default, measured on simulated programmes, never on a real team's. The same
input gives the same bytes: rows are sorted, integration points are fixed, nothing reads a clock or a global seed.
"""

METHOD_VERSION = "2.1.0"
"""Named in every result and hashed into every fingerprint: changed figures need a new one (a test holds us to it)."""

SOURCES = (
    "Cumulative-link model: McCullagh (1980), Regression models for ordinal data, JRSS B 42, 109-142.",
    "Separation in ordinal models: Albert & Anderson (1984), Biometrika 71, 1-10; Haberman (1980).",
    "Adaptive Gauss-Hermite quadrature: Pinheiro & Bates (1995), J. Comp. Graph. Statist. 4, 12-35.",
    "Laplace approximation nested in hyperparameter integration: Rue, Martino & Chopin (2009), JRSS B 71, 319-392.",
    "Low-discrepancy points: Sobol (1967); direction numbers of Joe & Kuo (2008), SIAM J. Sci. Comput. 30, 2635-2654.",
    "Pooled repeatability from repeats: ISO 5725-2 idea (within-group SD); s(pairs) = sqrt(sum d^2 / 2n).",
    "Variance inflation: Marquardt (1970), Technometrics 12, 591-612. Cuts at 2.5 and 4: our defaults, no source.",
    "Brackets, votes and their limits: common practice, no source (our defaults).",
)
"""Where the methods come from; quoted from memory unless a test names the page it was checked against."""
