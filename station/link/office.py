"""What somebody answers for with their name, and what a review was signed for: weighed first.

On the common topic any program with a password may ask, in whatever name; which of them may write on the
office's topic is the broker's matter. The rules know neither topics nor the record, so they are told.
"""

from collections.abc import Callable

from shared.chain import ZERO
from shared.requests import OFFICE_ONLY, AnyRequest, Barred, SignReview, Unreadable


def weighed(
    request: AnyRequest | Unreadable, *, office: bool, in_chain: Callable[[str], bool]
) -> AnyRequest | Unreadable | Barred:
    """The request, barred where it came on the wrong topic or names a head that this chain never had.

    Args:
        request: as it was read.
        office: whether it came on the office's topic.
        in_chain: whether an event of this station's record has a hash (64 hex digits).
    """
    if not isinstance(request, OFFICE_ONLY):
        return request
    if not office:
        return Barred(request, ("not-authorised",))
    if isinstance(request, SignReview) and (request.head == ZERO or not in_chain(request.head)):
        return Barred(request, ("unknown-head",))
    return request
