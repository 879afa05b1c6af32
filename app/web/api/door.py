"""What every operation for programs shares: whose token it is, what may be asked, how a refusal looks."""

from __future__ import annotations

from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Header, HTTPException, Path, Query, Response
from fastapi.routing import APIRoute
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer
from pydantic import BaseModel
from starlette.requests import Request

from app.planning import accounts
from app.storage.models import Coach
from app.web.api import shapes
from app.web.dependencies import AppStore, Now
from app.web.pages import problem

PROBLEM = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
TROUBLE: dict[int | str, dict[str, Any]] = {
    400: {"description": "The body is no JSON", "content": PROBLEM},
    401: {"description": "No token, or one that is unknown or revoked", "content": PROBLEM},
    403: {"description": "The token may read only", "content": PROBLEM},
    404: {"description": "Not there, or not this coach's", "content": PROBLEM},
    409: {
        "description": "It does not fit what is stored; the words say why, `current` what is stored",
        "content": PROBLEM,
    },
    413: {"description": "Too large", "content": PROBLEM},
    422: {"description": "A value cannot be taken; `errors` names each", "content": PROBLEM},
    503: {"description": "The database is busy; nothing was stored", "content": PROBLEM},
    507: {"description": "No room; nothing was stored", "content": PROBLEM},
}


@dataclass(frozen=True, slots=True)
class Wrong:
    """A place in what was sent, and what should stand there."""

    where: Sequence[str | int]
    expected: str


class Told(Exception):
    """A refusal that says more than a sentence: what is stored now, or each place that is wrong."""

    def __init__(
        self, status: int, words: str, *, current: BaseModel | None = None, errors: Sequence[Wrong] = ()
    ) -> None:
        super().__init__(words)
        self.status, self.words, self.current, self.errors = status, words, current, errors

    def answer(self, request: Request) -> Response:
        more: dict[str, Any] = {"request_id": request.state.request_id}
        if self.current is not None:
            more["current"] = self.current.model_dump(mode="json")
        if self.errors:
            more["errors"] = [
                {"where": [str(part) for part in one.where], "expected": one.expected} for one in self.errors
            ]
        return problem(
            self.status, "Not understood" if self.status == 422 else "Not done", self.words, **more
        )


class ProgramRoute(APIRoute):
    """A route whose refusals are problem documents with all they have to say."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        handle = super().get_route_handler()

        async def answered(request: Request) -> Response:
            try:
                return await handle(request)
            except Told as told:
                return told.answer(request)

        return answered


def no_store(response: Response) -> None:
    response.headers["Cache-Control"] = "no-store"


def only_known(request: Request) -> None:
    """Refuse a parameter that the operation does not have: a typing error would be passed over in silence."""
    known = {one.alias for one in request.scope["route"].dependant.query_params}
    unknown = sorted(set(request.query_params) - known)
    if unknown:
        raise HTTPException(422, f"{', '.join(unknown)[:80]} is not known here.")


def operations() -> APIRouter:
    """A router for operations of the interface, each with what all of them share."""
    return APIRouter(
        prefix="/api/v1",
        route_class=ProgramRoute,
        responses=TROUBLE,
        dependencies=[Depends(no_store), Depends(only_known)],
    )


bearer = HTTPBearer(auto_error=False, description="A token from the account page")
Given = Annotated[HTTPAuthorizationCredentials | None, Depends(bearer)]


@dataclass(frozen=True, slots=True)
class Program:
    """A program at work: whose data it writes, and by which name the coach finds it in the audit."""

    coach: Coach
    name: str


def reader(store: AppStore, now: Now, given: Given) -> Coach:
    """The coach whose data a token opens."""
    return _holder(store, now, given, ("read", "write")).coach


def writer(store: AppStore, now: Now, given: Given) -> Program:
    return _holder(store, now, given, ("write",))


def _holder(
    store: AppStore, now: Now, given: HTTPAuthorizationCredentials | None, scopes: tuple[str, ...]
) -> Program:
    found = None if given is None else accounts.token_in_use(store, given.credentials, now=now)
    if found is None or found[0].scope == "feed":
        raise HTTPException(
            401,
            "Send a token of the account page as Authorization: Bearer TOKEN.",
            {"WWW-Authenticate": "Bearer"},
        )
    token, coach = found
    if token.scope not in scopes:
        raise HTTPException(403, "This token may read but not write.")
    return Program(coach, f"the program “{token.name}”")


Reader = Annotated[Coach, Depends(reader)]
Writer = Annotated[Program, Depends(writer)]
Id = Annotated[int, Path(ge=1, le=shapes.MOST)]
Limit = Annotated[int, Query(ge=1, le=200, description="How many at most")]
After = Annotated[int, Query(ge=0, le=shapes.MOST, description="`next` of the page before")]
Version = Annotated[
    int, Query(ge=1, le=shapes.MOST, description="As it was read; if it is another by now, nothing is done")
]
_KEY = Header(
    alias="Idempotency-Key",
    pattern=shapes.KEY,
    min_length=16,
    max_length=64,
    description="Made by the program for this request. Sent again, the same answer comes and nothing "
    "is stored twice; with another request it is refused.",
)
Key = Annotated[str, _KEY]
MaybeKey = Annotated[str | None, _KEY]


def next_of(found: Sequence[Any], limit: int) -> int | None:
    """Where the next page begins, if one more than the limit was found."""
    return int(found[limit - 1].id) if len(found) > limit else None
