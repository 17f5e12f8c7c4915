"""Fastapi's router with routes that are worked out at their first request. A start then costs what its first pages need."""

from collections.abc import Callable
from functools import cached_property
from typing import Any

from fastapi import APIRouter
from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute
from starlette.routing import Route
from starlette.types import Receive, Scope, Send


class PageRoute(Route):
    """A page's path and methods; what its handler takes, and its guard, are read when somebody asks for it.

    A mistake in a handler's signature shows then, and in every test that walks the routes.
    """

    def __init__(self, path: str, endpoint: Callable[..., Any], **said: Any) -> None:
        super().__init__(path, endpoint, methods=said["methods"])
        self.methods = {method.upper() for method in said["methods"]}  # no HEAD beside GET, as in fastapi
        self.said = said

    @cached_property
    def worked_out(self) -> APIRoute:
        return APIRoute(self.path, self.endpoint, methods=self.said["methods"], dependencies=self.said["dependencies"])

    @property
    def dependant(self) -> Dependant:
        return self.worked_out.dependant

    async def handle(self, scope: Scope, receive: Receive, send: Send) -> None:
        await self.worked_out.handle(scope, receive, send)


class Router(APIRouter):
    def add_api_route(self, path: str, endpoint: Callable[..., Any], **said: Any) -> None:
        self.routes.append(PageRoute(self.prefix + path, endpoint, **said))
