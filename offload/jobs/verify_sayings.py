"""Who said what of a file, when, beside what was found: for each record that speaks of it."""

from collections.abc import Iterable, Mapping

from offload.checksum import digest_text
from offload.jobs.verify_result import Saying
from offload.record.claims import Claim
from offload.record.mhl.known import Generation


def sayings_of(
    differing: Iterable[Claim], agreeing: Iterable[Claim], digests: Mapping[str, bytes]
) -> tuple[Saying, ...]:
    """What was said of a file that differs, the contradicting records first; else nothing.

    Args:
        differing, agreeing: claims that could be compared.
        digests: raw, of the file as it was read now.
    """
    said = [_saying(claim, digests, agrees=False) for claim in differing]
    if not said:
        return ()
    return (*said, *(_saying(claim, digests, agrees=True) for claim in agreeing))


def _saying(claim: Claim, digests: Mapping[str, bytes], *, agrees: bool) -> Saying:
    fitting = [name for name in claim.algorithms if digests.get(name) == claim.digest]
    algorithm = fitting[0] if fitting else next(n for n in claim.algorithms if n in digests)
    generation = claim.generation
    return Saying(
        claim.source.path,
        claim.source.kind,
        generation.number if generation else 0,
        generation.head.creator.created_at if generation else None,
        author_of(generation) if generation else "",
        algorithm,
        digest_text(algorithm, claim.digest),
        digest_text(algorithm, digests[algorithm]),
        agrees,
        claim.line,
    )


def author_of(generation: Generation) -> str:
    """Who answers for a generation: persons, or the machine; raw, from outside."""
    creator = generation.head.creator
    names = ", ".join(author.name for author in creator.authors if author.name)
    return names or creator.hostname or creator.tool
