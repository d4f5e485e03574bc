"""One complete login, once a node was looked at: approval first, then the secret, then the login.

This order is the promise of `probe node --login`: the judge is given what was seen and says which
chains are good enough; only if there is one is the credential read, and it is sent to no other.
"""

import asyncio
from collections.abc import Callable, Iterable, Mapping

from probe.jobs.sweep import JobError, Scope, limits_of
from probe.judge.approval import approve
from probe.observation.model import Endpoint, HandshakeAsk, Outcome, Question, Survey
from probe.observe import login as observe
from probe.observe.agenda import ALL
from probe.observe.eapcontext import Peer
from probe.observe.eapquestions import login_visit
from probe.observe.footprint import Footprint
from probe.observe.sweep import utc_now
from probe.plan.model import Eap, Login, Node, Plan, SecretRef
from probe.plan.problems import Refused, shown
from probe.plan.secrets import Prompt, Secret, SecretError, resolve
from probe.records import dataclass, replace

_HOW = (
    '[login] with method = "PEAP", account = "NAME" and password = { environment = "VARIABLE" },'
    ' or with certificate = "FILE.pem" and key = { file = "FILE.key" }'
)

_INNER = "MSCHAPv2"
"""What an account proves itself by, unless the plan says otherwise."""

OnSecrets = Callable[[Iterable[bytes]], None]
"""Is given a secret before anything is done with it."""


@dataclass(frozen=True, slots=True)
class _Login:
    """The login that is to be made."""

    plan: Plan
    node: Node
    eap: Eap
    radius: SecretRef
    login: Login
    question: Question
    ask: HandshakeAsk


def check_login(plan: Plan, node: Node, only: frozenset[Endpoint] = ALL) -> None:
    """Raise JobError unless a login can be made at a node."""
    _login(plan, node, only)


def _login(plan: Plan, node: Node, only: frozenset[Endpoint]) -> _Login:
    if node.eap is None or Endpoint.EAP not in only:
        raise JobError("--login logs in at an EAP endpoint, and none is asked here")
    if plan.login is None:
        raise JobError(f"--login needs a test account or certificate in the plan: {_HOW}")
    if not node.eap.expected_names:
        raise JobError(
            "--login needs eap.expected_names in the plan: a credential is sent to no server of"
            " which nobody knows what it is called"
        )
    if node.eap.secret is None:
        raise JobError("--login needs the RADIUS secret: eap.secret in the plan")
    why = observe.unable(plan.login.method)
    if why is not None:
        raise JobError(f"--login: {why}")
    question, ask = login_visit(node, node.eap, plan.login.method)
    return _Login(plan, node, node.eap, node.eap.secret, plan.login, question, ask)


def with_login(effort: Footprint, plan: Plan, scope: Scope) -> Footprint:
    """Return what will be asked, with the login told beside it. Raises JobError."""
    made = _login(plan, plan.node(scope.nodes[0]), scope.only)
    login = made.login
    inner = "" if login.account is None else f" with {login.inner or _INNER}"
    whose = "the test certificate" if login.account is None else shown(login.account)
    return replace(effort, login=f"by {login.method}{inner} as {whose} at {made.node.name}")


def log_in(
    plan: Plan,
    seen: Survey,
    scope: Scope,
    secrets: Mapping[SecretRef, bytes],
    *,
    prompt: Prompt | None = None,
    on_secrets: OnSecrets = lambda _: None,
) -> Survey:
    """Log in once to a node that was looked at, if the judge approves, and return all that is seen.

    `secrets` has the node's RADIUS secret. Whatever keeps the login from being made stands in its
    record: what was seen before is not lost. Raises JobError if the plan has no login.
    """
    made = _login(plan, plan.node(scope.nodes[0]), scope.only)
    made = replace(made, ask=_with_address(made, seen))
    more = _logged_in(made, seen, secrets, prompt, on_secrets)
    last = seen.taken[-1]
    return replace(
        seen,
        taken=(*seen.taken[:-1], replace(last, ended=max(last.ended, more.taken[-1].ended))),
        questions=(*seen.questions, *more.questions),
        handshakes=(*seen.handshakes, *more.handshakes),
        certificates={**seen.certificates, **more.certificates},
        interrupted=seen.interrupted or more.interrupted,
    )


def failed(seen: Survey) -> str | None:
    """Return in words that the login was not accepted; None: it was.

    No rule speaks of it, so that it changes no verdict: what it shows of the server is judged as
    ever, and whether an account may log in is not for this tool to say.
    """
    made = next((record.login for record in seen.handshakes if record.login is not None), None)
    if made is None or made.accepted:
        return None
    if not made.sent:
        said = "the login was not made, and nothing of the credential was sent"
    else:
        said = "the login was rejected" if made.accepted is False else "the login has no answer"
    return f"{said}: {made.detail}" if made.detail else said


def _with_address(made: _Login, seen: Survey) -> HandshakeAsk:
    """Return what is asked with an address: of those that the node's name leads to, the first that
    has shown a chain."""
    if made.ask.address is not None:
        return made.ask
    there = [
        record
        for record in seen.handshakes
        if record.endpoint is Endpoint.EAP
        and record.nodes == made.question.nodes
        and record.asked.address is not None
        and record.asked.aspect is None
    ]
    serving = [record for record in there if record.outcome is Outcome.SERVED]
    first = next(iter(serving or there), None)
    return made.ask if first is None else replace(made.ask, address=first.asked.address)


def _logged_in(
    made: _Login,
    seen: Survey,
    secrets: Mapping[SecretRef, bytes],
    prompt: Prompt | None,
    on_secrets: OnSecrets,
) -> Survey:
    plan, ask, login = made.plan, made.ask, made.login
    limits = limits_of(plan)

    def without(why: str, *, interrupted: bool = False) -> Survey:
        record = observe.not_made(plan, made.question, ask, why, limits)
        return replace(record, interrupted=interrupted)

    if seen.interrupted:
        return without("interrupted before the login")
    if ask.address is None:
        return without("no address is known")
    # As of now, whatever time the report is to be judged at: the credential is sent now.
    approval = approve(plan, seen, node=made.node.name, asked=ask, at=utc_now())
    if not approval.chains:
        return without(f"the server is not approved of: {approval.why_not}")
    try:
        secret = _secret(login, prompt)
        on_secrets((secret,))
        credential = observe.credential_of(login, secret)
    except (SecretError, observe.CredentialError) as error:
        return without(str(error))
    except Refused as error:
        return without(f"the certificate of [login]: {error}")
    except KeyboardInterrupt:
        return without("interrupted before the secret was there", interrupted=True)
    peer = Peer(made.node.reached_at(ask.address), made.eap, secrets[made.radius])
    entrance = observe.Entrance(peer, credential, approval.chains)
    return asyncio.run(observe.log_in(plan, made.question, ask, entrance, limits))


def _secret(login: Login, prompt: Prompt | None) -> Secret:
    """Return the password, or the key as PEM. Raises SecretError."""
    reference = login.key if login.account is None else login.password
    if reference is None:
        raise SecretError(("[login] names no secret",))
    what = "Key of [login]" if login.account is None else f"Password of {shown(login.account)}"
    return resolve((reference,), prompt=prompt, what=what)[reference]
