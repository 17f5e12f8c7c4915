from tests import make


def test_a_manager_sees_the_settings_of_the_programme(db, browser):
    team = make.programme(db)
    browser.as_(team.OW).get(f"/programmes/{team.id}/settings", max_queries=4)
