"""Two sizes of a small programme: no page needs more queries in the larger one, none needs more than its budget."""

from app.db import Database
from app.settings import Settings
from tests.benchmarks.pages import Stopwatch, complaints, pages_of
from tests.benchmarks.programme import build
from tests.benchmarks.rows import Size


def measured(settings, database, size):
    with database.session() as db:
        big = build(db, size)
    return Stopwatch(settings, database, big).measure(pages_of(big), times=1)


def test_no_page_needs_more_queries_in_a_larger_programme(settings, database, tmp_path):
    from app.migrate import upgrade

    small_url = f"sqlite:///{tmp_path}/small.sqlite3"
    upgrade(small_url)
    small_database = Database(small_url)
    small_settings = Settings(small_url, settings.base_url, tmp_path, argon2_time=1, argon2_memory_kib=64)
    small = measured(small_settings, small_database, Size(questions=2, sessions=2, runs=16, marks=96, concerns=4))
    small_database.dispose()
    large = measured(settings, database, Size(questions=5, sessions=6, runs=96, marks=576, concerns=60))
    assert complaints(small, large) == []
    assert all(page.bytes > 1000 for page in large)
