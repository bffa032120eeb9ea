"""Pages for what went wrong: what it is and what to do next, in plain words."""

from flask import jsonify, render_template, request
from flask.typing import ResponseReturnValue
from flask_login import current_user
from flask_wtf.csrf import CSRFError
from werkzeug.exceptions import HTTPException

WORDS = {
    400: ("The pages do not understand that", "Go back, load the page again, and try once more."),
    401: ("You are not signed in", "Sign in, then try again."),
    403: ("That is not for you to open", "Ask the safety lead, or sign in as somebody who may."),
    404: ("There is no such page", "Look for a typing mistake in the address, or begin at the bench."),
    405: ("That cannot be opened like this", "Go back and use the button on the page."),
    413: ("That is too much text", "Write less and send it again."),
    429: ("Too many tries", "Wait a little, then try again."),
    500: (
        "The pages have made a mistake",
        "The bench itself works on: go by it and its light. Load the page again; if this comes back, "
        "tell whoever looks after the pages, who finds more in their log.",
    ),
    503: ("The pages cannot do that at the moment", "Wait a little, then load the page again."),
}
STALE_FORM = (
    "This page was open for too long",
    "Nothing was done. Load the page again, then press once more.",
)


def say(error: HTTPException) -> ResponseReturnValue:
    """The page, or for a script its words as JSON."""
    if error.response is not None:
        return error.response
    code = error.code or 500
    title, todo = STALE_FORM if isinstance(error, CSRFError) else WORDS.get(code, WORDS[500])
    if code == 403 and current_user.is_authenticated:
        todo = f"You are signed in as {current_user.name} ({current_user.role}). {todo}"
    headers = {name: value for name, value in error.get_headers() if name.lower() in ("allow", "retry-after")}
    if request.accept_mimetypes.best == "application/json":
        return jsonify(accepted=False, text=f"{title}. {todo}"), code, headers
    return render_template("trouble.html", title=title, message=todo), code, headers
