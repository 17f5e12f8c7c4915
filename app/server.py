"""What each worker process runs: builds the app from the environment that `python -m app` set."""

import os
from pathlib import Path

from fastapi import FastAPI

from app.main import create_app
from app.settings import settings_for


def build() -> FastAPI:
    host, _, port = os.environ.get("PROVEOUT_LISTEN", "127.0.0.1:8000").rpartition(":")
    return create_app(settings_for(Path(os.environ.get("PROVEOUT_DATA", "data/own")), host=host, port=int(port)))
