"""Signing in and out: cookies, the throttle, and giving back what was typed when a sign-in has expired."""

import json
from collections.abc import Sequence
from urllib.parse import parse_qsl, urlsplit

from fastapi import Request
from fastapi.responses import RedirectResponse, Response

from app.access.viewer import Viewer
from app.db import Db, transaction
from app.errors import NotAllowed, Refused
from app.people import commands, queries, rules
from app.people.forms import SignInForm
from app.web.forms import Form, in_words
from app.web.page import page

WRONG = "That name and password don't go together"


def safe_path(path: str | None) -> str:
    """A path of ours to go to next; anything that could lead elsewhere becomes the front page."""
    path = path or "/"
    try:
        parts = urlsplit(path)
    except ValueError:  # such as //[
        return "/"
    if parts.scheme or parts.netloc or not path.startswith("/") or path.startswith(("//", "/\\")) or "\\" in path:
        return "/"
    return path if path.isprintable() else "/"


def sign_in_page(request: Request, form: SignInForm | None = None, *, status: int = 401) -> Response:
    """The sign-in page. After a form was sent with an expired sign-in it carries everything typed along."""
    if request.headers.get("HX-Request") == "true" and form is None:
        return Response(status_code=401, headers={"HX-Redirect": "/sign-in?next=" + safe_path(request.url.path)})
    if form is None:
        if request.method in ("GET", "HEAD"):
            here = request.url.path + (f"?{request.url.query}" if request.url.query else "")
            return RedirectResponse(f"/sign-in?next={_quote(safe_path(here))}", status_code=303)
        typed = getattr(request.state, "form_all", None) or getattr(request.state, "form_text", [])
        kept = [[name, value] for name, value in typed]
        form = SignInForm()
        form.fill(kept=json.dumps(kept), kept_path=safe_path(request.url.path)) if kept else None
    kept_lines = _kept(form)
    return page(request, "people/sign_in.html", status=status, form=form, kept=in_words(kept_lines))


def _quote(path: str) -> str:
    from urllib.parse import quote

    return quote(path, safe="/")


def _kept(form: SignInForm) -> list[tuple[str, str]]:
    raw = form.fields["kept"].raw
    if not raw:
        return []
    try:
        found = json.loads(raw)
        return [(str(name), str(value)) for name, value in found][:2000]
    except (ValueError, TypeError, RecursionError):
        return []


def try_sign_in(request: Request, db: Db, form: SignInForm) -> Response:
    """Check the throttle, then the password; on success a fresh sign-in and cookie."""
    settings = request.app.state.settings
    device = request.cookies.get(settings.device_cookie_name, "")
    address = request.client.host if request.client else ""
    try:
        account_id, booked = _verified(request, db, form, device=device, address=address)
    except Refused as refused:
        form.message = refused.sentence
        return sign_in_page(request, form, status=429 if refused.status == 429 else 422)
    return signed_in_response(request, db, account_id, form, booked)


def _verified(request: Request, db: Db, form: SignInForm, *, device: str, address: str) -> tuple[int, list[int]]:
    login = form.values["login"]
    booked = _book(db, commands.sign_in_limits(db, login=login, address=address, device_token=device))
    account = queries.find_account_by_login(db, login)
    stored = account.password_hash if account is not None and account.disabled_at is None else None
    account_id = account.id if account is not None else 0
    if not request.app.state.hasher.verify(stored, form.values["password"]):
        raise NotAllowed(WRONG, "", "Check both, or ask the manager for a new link.")
    return account_id, booked


def _book(db: Db, limits: commands.Limits) -> list[int]:
    commands.check_limits(db, limits)
    with transaction(db):
        booked = commands.book_attempt(db, limits)
    commands.check_limits(db, limits, booked=1)
    return booked


def change_password(request: Request, db: Db, viewer: Viewer, form: Form) -> None:
    """Needs the present password, which may be guessed here as little as at the door."""
    try:
        booked = _book(db, commands.password_limits(viewer.account_id))
    except Refused as refused:
        form.refuse(refused)
        return
    with form.attempt(db):
        commands.change_password(db, request.app.state.hasher, by=viewer, **form.values)
        commands.give_back(db, booked)


def signed_in_response(request: Request, db: Db, account_id: int, form: SignInForm | None = None,
                       booked: Sequence[int] = ()) -> Response:  # fmt: skip
    settings = request.app.state.settings
    device = request.cookies.get(settings.device_cookie_name) or rules.new_token()
    old = request.cookies.get(settings.cookie_name)
    with transaction(db):
        commands.give_back(db, list(booked))
        if old:
            commands.end_by_token(db, old)  # a sign-in is never reused: no fixation
        token = commands.start_sign_in(
            db, account_id, device=request.headers.get("user-agent", ""), device_token=device
        )
    response = _after_sign_in(request, db, token, form)
    secure = not settings.plain_http
    response.set_cookie(
        settings.cookie_name,
        token,
        max_age=int(rules.SIGN_IN_LASTS.total_seconds()),
        path="/",
        secure=secure,
        httponly=True,
        samesite="lax",
    )
    response.set_cookie(
        settings.device_cookie_name, device, max_age=365 * 86400, path="/", secure=secure, httponly=True, samesite="lax"
    )
    return response


def _after_sign_in(request: Request, db: Db, token: str, form: SignInForm | None) -> Response:
    kept = _kept(form) if form else []
    if kept and form is not None:
        # Nothing typed is lost, and nothing is sent in somebody's name without their tap.
        request.state.viewer = queries.find_viewer(db, token, None)
        action = safe_path(form.fields["kept_path"].raw)
        return page(request, "people/resume.html", kept=kept, shown=in_words(kept), action=action)
    return RedirectResponse(safe_path(form.fields["next"].raw if form else "/"), status_code=303)


def sign_out_response(request: Request, db: Db, viewer: Viewer) -> Response:
    settings = request.app.state.settings
    with transaction(db):
        if viewer.sign_in_id is not None:
            commands.end_sign_in(db, viewer.sign_in_id, by=viewer)
    response = RedirectResponse("/sign-in", status_code=303)
    response.delete_cookie(
        settings.cookie_name, path="/", secure=not settings.plain_http, httponly=True, samesite="lax"
    )
    return response


def next_from_query(request: Request) -> str:
    return safe_path(dict(parse_qsl(request.url.query)).get("next"))
