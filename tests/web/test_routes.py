"""Routes that are worked out at their first request behave as fastapi's own. Source: fastapi's documented behaviour; RFC 9110, 15.5.6."""

from typing import Annotated

from fastapi import Depends, FastAPI, Path
from fastapi.responses import PlainTextResponse
from starlette.testclient import TestClient

from app.web.routes import PageRoute, Router


def test_a_route_is_worked_out_at_its_first_request_and_once():
    asked: list[str] = []
    router = Router(prefix="/teams/{team_id}")

    @router.get("/cars", dependencies=[Depends(lambda: asked.append("guard"))])
    def list_cars(team_id: Annotated[int, Path(ge=1)], day: str = "today") -> PlainTextResponse:
        return PlainTextResponse(f"{team_id} {day}")

    (route,) = router.routes
    assert isinstance(route, PageRoute)
    assert (route.path, route.name, route.methods) == ("/teams/{team_id}/cars", "list_cars", {"GET"})
    assert "worked_out" not in vars(route)
    app = FastAPI()
    app.router.routes.extend(router.routes)
    client = TestClient(app)
    assert client.get("/teams/7/cars?day=2").text == "7 2"
    first = vars(route)["worked_out"]
    assert client.get("/teams/7/cars").text == "7 today"
    assert vars(route)["worked_out"] is first
    assert asked == ["guard", "guard"]
    assert client.get("/teams/0/cars").status_code == 422
    assert client.get("/teams/x/cars").status_code == 422
    for method in ("HEAD", "POST"):
        refused = client.request(method, "/teams/7/cars")
        assert (refused.status_code, refused.headers["allow"]) == (405, "GET")
