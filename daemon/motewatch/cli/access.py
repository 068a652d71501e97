"""Users of the console from the machine's own shell: the list for a periodic look, and the way back in.

Rules: whoever may write the journal's file is trusted as the machine's own administrator is; what is done here goes on
the audit trail by the service, with the account it was done from. It works beside a running service.
"""

from __future__ import annotations

import os
import pwd
from contextlib import closing
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import typer

from motewatch.cli.options import Format, FormatOption, SitePath
from motewatch.cli.printing import Listing
from motewatch.cli.record import open_journal
from motewatch.cli.times import local_text
from motewatch.links.clock import Clock
from motewatch.links.publications import iso
from motewatch.links.site_file import load_site

_FIELDS = ("id", "name", "role", "state", "made", "last_here", "password_chosen", "unused")


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    app.command()(access)
    app.command("access-secret")(access_secret)


def access(
    site: SitePath,
    unused_days: Annotated[
        int, typer.Option("--unused-days", min=1, metavar="N", help="Point out who was not here for so long.")
    ] = 90,
    only_unused: Annotated[bool, typer.Option("--only-unused", help="List only those.")] = False,
    form: FormatOption = Format.TABLE,
) -> None:
    """Users of the console, for the periodic look.

    Points out who is perhaps not needed any more.

    \b
    motewatch access site.toml
    motewatch access site.toml --only-unused --format csv > unused.csv
    """
    from motewatch.journal.access import AccessStore
    from motewatch.web.access.desk import unused

    facility = load_site(site)
    with open_journal(facility, site) as journal:
        users = AccessStore(journal.store).users()
    now_us, zone = Clock().now_us(), ZoneInfo(facility.site.time_zone)
    listed = [(user, unused(user, now_us, unused_days)) for user in users]
    listed = [each for each in listed if each[1] or not only_unused]
    records, cells = [], []
    for user, idle in listed:
        one_time = user.one_time_until_us is not None
        state = "disabled" if user.disabled_us is not None else "no own password yet" if one_time else "in use"
        if user.outside is not None:
            state += ", by the identity provider"
        times = (user.created_us, user.used_us, user.password_set_us)
        made, used, chosen = (None if us is None else iso(us) for us in times)
        values = (user.id, user.name, user.role, state, made, used, chosen, idle)
        records.append(dict(zip(_FIELDS, values, strict=True)))
        last, password = ("-" if us is None else local_text(us, zone) for us in times[1:])
        cells.append([user.id, user.name, user.role, state, last, password, "unused" if idle else ""])
    titles = ("id", "name", "role", "state", "last here", "password chosen", "")
    typer.echo(Listing(records, _FIELDS, records, titles, cells, "No such user.").text(form), nl=False)


def access_secret(
    site: SitePath,
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why; goes on record.", show_default=False)],
    user: Annotated[str, typer.Option("--user", metavar="ID", help="Which administrator.")] = "administrator",
) -> None:
    """A way back in for a locked-out administrator.

    Needs to write the journal's file, so run it as the service's user. The service may run. The old password is void,
    all sign-ins of that user end, and the audit trail tells of it.

    \b
    motewatch access-secret site.toml --reason "password forgotten, asked for by the head of quality"
    """
    from motewatch.journal.access import AccessStore, NoticeRow
    from motewatch.journal.store import Store
    from motewatch.web.access.desk import ONE_TIME_US, AccessError, one_time_secret, reason_of
    from motewatch.web.access.passwords import Hashes
    from motewatch.web.access.roles import Role

    facility = load_site(site)
    try:
        why = reason_of(reason)
    except AccessError as error:
        raise typer.BadParameter(str(error), param_hint="--reason") from None
    with open_journal(facility, site) as journal:
        # This site's, and as new as this program: now it may be written to.
        path = Path(journal.store.path)
    with closing(Store(path)) as store:
        access = AccessStore(store)
        # Whoever signs in by an identity provider has no password that could be replaced.
        own = [each for each in access.users() if each.outside is None]
        found = {each.id: each for each in own if each.role == Role.ADMINISTRATOR}
        if user not in found:
            known = ", ".join(found) or "none yet: start the service first"
            raise typer.BadParameter(
                f"no administrator '{user}' with a password; there are: {known}", param_hint="--user"
            )
        secret, now_us = one_time_secret(), Clock().now_us()
        account = pwd.getpwuid(os.geteuid()).pw_name
        detail = f"one-time secret made from the machine's own shell by the account {account}; {why}"
        if found[user].disabled_us is not None:
            detail = f"enabled again; {detail}"
        notice = NoticeRow(0, now_us, "shell", "user-secret", user, detail)
        access.rescue(user, Hashes().make(secret), now_us + ONE_TIME_US, notice)
    typer.echo(f"One-time secret for {user}, good for 7 days and one sign-in:\n\n    {secret}\n")
