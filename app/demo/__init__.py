"""The demo programme; to come."""

SIGN_INS: list = []


def make_demo(database, settings) -> bool:
    return False
