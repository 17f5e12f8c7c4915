"""Pages; to come."""

from fastapi import APIRouter

router = APIRouter()
