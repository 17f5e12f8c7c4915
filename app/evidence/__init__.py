"""From debrief marks to a verdict, in pure functions: the standard library, numpy and scipy only.

Reading guide. Start at `story.roll_up`, which tells the whole story on one screen, then follow the order it calls:

    inputs        what was filed: the question's rule, one `Mark` per run and attribute (`scales` they are marked on)
    refusals      what makes no sense, said in sentences
    panel         what the drivers said: `brackets`, driver effects, votes. Counted from runs, never modelled
    ratings       what enters the fit, and what the fit says about each variant (uses `nested`)
    nested        the ordinal model with priors (uses `layout`, `links`, `points`; answers are a `mixture`)
    ordinal       the same model by maximum likelihood, checked against outside fits (`random_effects`, `separation`)
    design_check  could something else explain the difference? aliases, inflation, one driver, one session
    verdict       adopt / reject / retest / setting, with the clause that decides and what would change it (`gates`)
    results       the frozen answers of all of the above, and their JSON form

*What the drivers said* and *what may be concluded* are two parts of one sheet and may differ; the sheet then says why.
Every threshold is this project's own default, measured on simulated programmes, never on a real team's. The same
input gives the same bytes: rows are sorted, integration points are fixed, nothing reads a clock or a global seed.
"""

METHOD_VERSION = "1.0.0"
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
