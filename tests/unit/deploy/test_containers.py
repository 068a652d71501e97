"""Containers and the page on installing, as far as they can be checked without a container engine."""

from __future__ import annotations

import re
import subprocess
import tomllib
from pathlib import Path
from typing import Any, Final

import pytest
import yaml  # type: ignore[import-untyped,unused-ignore]

DEPLOY: Final = Path(__file__).parents[3] / "deploy"
PAGE: Final = (DEPLOY / "docs" / "install.md").read_text()
DOCKERFILE: Final = (DEPLOY / "Dockerfile").read_text()
BROKER: Final = (DEPLOY / "mosquitto" / "motewatch.conf").read_text()
OF_THE_SITE: Final = "./site"


def compose() -> dict[str, Any]:
    made: dict[str, Any] = yaml.safe_load((DEPLOY / "compose.yaml").read_text())
    return made


def test_compose_has_the_three_services_and_names_only_what_there_is() -> None:
    made = compose()
    assert set(made["services"]) == {"broker", "series", "daemon"}
    for name, service in made["services"].items():
        assert service["restart"] == "always", name
        assert ("image" in service) != ("build" in service)
        for mount in service["volumes"]:
            source = mount.split(":")[0]
            if source.startswith("."):
                assert source.startswith(OF_THE_SITE) or (DEPLOY / source).is_file(), mount
            else:
                assert source in made["volumes"], mount
        for needed in service.get("depends_on", ()):
            assert needed in made["services"]
    build = made["services"]["daemon"]["build"]
    assert (DEPLOY / build["context"] / build["dockerfile"]).is_file()


def test_every_image_has_a_version() -> None:
    images = [service["image"] for service in compose()["services"].values() if "image" in service]
    images += re.findall(r"^FROM (\S+)", DOCKERFILE, flags=re.MULTILINE)
    assert len(images) == 4
    assert all(re.search(r":v?\d", image) for image in images), images


def test_plain_mqtt_is_offered_to_nobody_outside() -> None:
    assert compose()["services"]["broker"]["ports"] == ["8883:8883"]
    assert "listener 1883 127.0.0.1" in BROKER


def test_what_the_image_copies_is_there_and_it_does_not_run_as_root() -> None:
    # The folders of the packages may be away: these tests also run against an installed wheel.
    built = tomllib.loads((DEPLOY.parent / "pyproject.toml").read_text())["tool"]["hatch"]["build"]["targets"]["wheel"]
    folders = {package.split("/")[0] for package in built["packages"]}
    copied = re.findall(r"^COPY (?!--from)(.+) \S+$", DOCKERFILE, flags=re.MULTILINE)
    sources = {source for line in copied for source in line.split()}
    assert folders < sources
    for source in sources - folders:
        assert (DEPLOY.parent / source).is_file(), source
    assert re.findall(r"^USER (\S+)$", DOCKERFILE, flags=re.MULTILINE) == ["motewatch"]
    assert re.search(r'^CMD \["serve", "/etc/motewatch/site.toml"\]$', DOCKERFILE, flags=re.MULTILINE)


def test_each_place_that_the_image_makes_for_its_user_outlives_the_container() -> None:
    daemon = compose()["services"]["daemon"]
    assert daemon["read_only"] is True
    (made,) = re.findall(r"install -d -m 700 -o motewatch -g motewatch (.+)$", DOCKERFILE, flags=re.MULTILINE)
    mounted = {mount.split(":")[1] for mount in daemon["volumes"] if not mount.endswith(":ro")}
    assert mounted == set(made.split()) == {"/var/lib/motewatch", "/var/backups/motewatch"}


def test_the_stated_times_to_a_full_queue_are_those_of_the_configured_limit() -> None:
    found = re.search(r"^max_queued_messages (\d+)$", BROKER, re.MULTILINE)
    assert found is not None
    limit = int(found[1])
    assert f"`max_queued_messages` = {limit:,} messages" in PAGE
    rows = re.findall(r"^\| ([\d,]+) \| \d.*? sensors, .*? \| ([\d.]+) (days|h|min) \|$", PAGE, flags=re.MULTILINE)
    assert len(rows) == 4
    for rate, time, unit in rows:
        seconds = float(time) * {"days": 86_400, "h": 3_600, "min": 60}[unit]
        assert limit / int(rate.replace(",", "")) == pytest.approx(seconds, rel=0.02)
    # The same is said where the limit is set.
    (stated,) = re.findall(r"enough for ([\d.]+) hours at 200 messages/s", BROKER)
    assert float(stated) == round(limit / 200 / 3_600, 1)
    # The outage that it is sized for.
    assert "10 hours at 50 messages a second" in PAGE
    assert limit >= 10 * 3_600 * 50


@pytest.mark.parametrize("page", ["install.md", "backup.md"])
def test_every_block_that_the_drill_runs_is_sound_bash(page: str) -> None:
    text = (DEPLOY / "docs" / page).read_text()
    blocks = re.findall(r"^ *```sh\n(.*?)^ *```$", text, flags=re.MULTILINE | re.DOTALL)
    assert len(blocks) >= 3
    for block in blocks:
        done = subprocess.run(["bash", "-n"], input=block, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr + block


def test_its_links_lead_somewhere() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", PAGE):
        assert (DEPLOY / "docs" / target).is_file(), target
    for path in re.findall(r"`((?:tests|deploy)/[\w/.-]+)`", PAGE):
        assert (DEPLOY.parent / path).exists(), path
