"""tools/setup.sh on machines that are made of stand-ins: what it installs, what it says, and that it rests."""

import shutil
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
BORROWED = ("cat", "cksum", "dirname", "env", "grep", "head", "mkdir", "mktemp", "rm", "sed", "sh", "tail", "touch")

# Answers the script's questions about Python: `has` is a folder whose files are what this machine has.
PYTHON = """#!/bin/sh
case "$*" in
-V) echo "Python $(cat {has}/python)"; exit ;;
*version_info*"(3, 11)"*) [ "$(cat {has}/python)" != 3.9.2 ]; exit ;;
*"import ensurepip, venv"*) [ -e {has}/python3-venv ]; exit ;;
*CDLL*) for name; do library=$name; done; [ -e {has}/"${{library%.so.*}}" ]; exit ;;
"-c import pip"*) [ -e "$(dirname "$0")/pip" ]; exit ;;
*"import sys, pip;"*) [ -e {has}/python3-pip ]; exit ;;
*"-m venv"*) mkdir -p .venv/bin; for made in python pip; do
    {{ echo '#!/bin/sh'; echo "# $PWD/.venv/bin/python"; sed 1d "$0"; }} >.venv/bin/$made; chmod +x .venv/bin/$made
    done; exit ;;
*"-m pip"*) echo "pip $*" >>{log}; [ ! -e {has}/no-network ]; exit ;;
esac
echo "not expected: $*" >&2
exit 9
"""
APT = """#!/bin/sh
echo "apt-get $*" >>{log}
echo "DEBIAN_FRONTEND=$DEBIAN_FRONTEND" >>{log}
case "$*" in
*update*) exit ;;
*) [ ! -e {has}/no-network ] || {{ echo "E: no such mirror"; exit 100; }}
    for name; do case $name in
    libpango-1.0-0) touch {has}/libpango-1.0 ;;
    libpangoft2-1.0-0) touch {has}/libpangoft2-1.0 ;;
    libharfbuzz-subset0) touch {has}/libharfbuzz-subset ;;
    libatomic1) touch {has}/libatomic ;;
    poppler-utils) for tool in pdftotext pdftoppm; do echo >{bin}/$tool; chmod +x {bin}/$tool; done ;;
    postgresql) echo >{bin}/pg_virtualenv; chmod +x {bin}/pg_virtualenv ;;
    chromium) echo >{bin}/chromium; chmod +x {bin}/chromium ;;
    *) touch {has}/$name ;;
    esac; done ;;
esac
"""
LIBRARIES = ("libpango-1.0", "libpangoft2-1.0", "libharfbuzz-subset")


@dataclass(frozen=True, slots=True)
class Machine:
    """A checkout on a machine with a PATH of its own, where nothing real is ever installed."""

    folder: Path
    has: Path = field(init=False)
    log: Path = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "has", self.folder / "has")
        object.__setattr__(self, "log", self.folder / "log")
        for name in ("has", "bin", "checkout/tools"):
            (self.folder / name).mkdir(parents=True)
        self.log.touch()
        (self.has / "python").write_text("3.11.2")
        shutil.copy(ROOT / "tools/setup.sh", self.folder / "checkout/tools")
        shutil.copy(ROOT / "pyproject.toml", self.folder / "checkout")
        shutil.copytree(ROOT / "requirements", self.folder / "checkout/requirements")
        for name in BORROWED:
            (self.folder / "bin" / name).symlink_to(str(shutil.which(name)))
        (self.folder / "bin/chmod").symlink_to(str(shutil.which("chmod")))
        self.put("python3", PYTHON)
        self.put("apt-get", APT)
        self.put("uname", "#!/bin/sh\necho Linux\n")
        self.be(1000)

    def put(self, name: str, script: str) -> None:
        path = self.folder / "bin" / name
        path.write_text(script.format(has=self.has, log=self.log, bin=self.folder / "bin"))
        path.chmod(0o755)

    def be(self, user: int) -> None:
        self.put("id", f"#!/bin/sh\n[ $1 = -un ] && echo wren || echo {user}\n")

    def have(self, *things: str) -> None:
        for thing in things:
            (self.has / thing).touch()

    def run(self, mode: str) -> subprocess.CompletedProcess[str]:
        self.log.write_text("")
        return subprocess.run(
            ["sh", "tools/setup.sh", mode],
            cwd=self.folder / "checkout",
            env={"PATH": str(self.folder / "bin"), "PYTHON": "python3"},
            capture_output=True,
            text=True,
            timeout=60,
        )

    @property
    def did(self) -> str:
        return self.log.read_text()


def installing(packages: str) -> list[str]:
    """What pip is called with for use or dev: packages by their hashes, then Bittern by what is installed."""
    install = "pip -m pip install --quiet --progress-bar off"
    return [
        f"{install} --require-hashes -r requirements/{packages}.txt",
        f"{install} --no-deps --no-build-isolation -e .",
    ]


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


def test_an_old_python_is_refused_in_words(machine: Machine) -> None:
    (machine.has / "python").write_text("3.9.2")
    refused = machine.run("use")
    assert refused.returncode == 1
    assert "which is Python 3.9.2; name a Python 3.11 or newer" in refused.stderr


def test_an_unknown_mode_is_refused(machine: Machine) -> None:
    refused = machine.run("everything")
    assert refused.returncode == 1
    assert "use, demo, dev or test, not 'everything'" in refused.stderr


def test_without_root_one_sentence_names_packages_and_command(machine: Machine) -> None:
    refused = machine.run("test")
    libraries = "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"
    packages = f"python3-venv {libraries} poppler-utils chromium postgresql libatomic1"
    assert refused.returncode == 1
    assert refused.stdout == ""
    assert refused.stderr == (
        f"setup: Bittern needs the system packages {packages}, which only root may install; have root run "
        f"'apt-get update && apt-get install -y {packages}' and run this again.\n"
    )
    assert machine.did == ""
    assert not (machine.folder / "checkout/.venv").exists()


def test_only_what_is_missing_is_named(machine: Machine) -> None:
    machine.have("python3-venv", "libpango-1.0", "libharfbuzz-subset")
    assert "install -y libpangoft2-1.0-0'" in machine.run("use").stderr


def test_as_root_it_installs_once_and_then_rests(machine: Machine) -> None:
    machine.be(0)
    first = machine.run("test")
    assert first.returncode == 0, first.stderr
    assert machine.did.count("apt-get") == 2
    assert "--no-install-recommends python3-venv libpango-1.0-0" in machine.did
    assert "DEBIAN_FRONTEND=noninteractive" in machine.did
    assert machine.did.splitlines()[-2:] == installing("dev")
    for mode in ("test", "dev", "demo", "use"):
        again = machine.run(mode)
        assert (again.returncode, again.stdout, again.stderr, machine.did) == (0, "", "", "")


def test_sudo_without_a_password_serves_as_well(machine: Machine) -> None:
    machine.put(
        "sudo", '#!/bin/sh\n[ "$1" = -n ] || exit 1\nshift\n[ "$1" != -- ] || shift\n[ "$1" = true ] || "$@"\n'
    )
    assert machine.run("use").returncode == 0
    assert "libharfbuzz-subset0" in machine.did


def test_the_demo_goes_on_without_the_tools_it_merely_likes(machine: Machine) -> None:
    machine.have("python3-venv", *LIBRARIES)
    done = machine.run("demo")
    assert done.returncode == 0, done.stderr
    assert "apt-get" not in machine.did


def test_a_lent_pip_makes_up_for_a_missing_venv_package(machine: Machine) -> None:
    machine.have("python3-pip", *LIBRARIES)
    done = machine.run("use")
    assert done.returncode == 0, done.stderr
    assert "pip -m pip --python .venv/bin/python install" in machine.did


@pytest.mark.parametrize("name", ["pyproject.toml", "requirements/use.txt"])
def test_python_packages_are_installed_again_when_their_list_changed(machine: Machine, name: str) -> None:
    machine.have("python3-venv", *LIBRARIES)
    machine.run("use")
    with (machine.folder / "checkout" / name).open("a") as file:
        file.write("\n")
    machine.run("use")
    assert machine.did.splitlines() == installing("use")


def test_the_tests_packages_stay_when_pyproject_changed(machine: Machine) -> None:
    machine.have("python3-venv", *LIBRARIES)
    machine.run("dev")
    with (machine.folder / "checkout/pyproject.toml").open("a") as file:
        file.write("\n")
    machine.run("use")
    assert machine.did.splitlines() == installing("dev")


def test_a_failed_download_is_said_and_tried_again(machine: Machine) -> None:
    machine.have("python3-venv", "no-network", *LIBRARIES)
    refused = machine.run("use")
    assert refused.returncode == 1
    assert "pip could not install Bittern's Python packages" in refused.stderr
    (machine.has / "no-network").unlink()
    assert machine.run("use").returncode == 0
    assert "pip" in machine.did


def test_a_failed_system_package_is_said_with_the_reason(machine: Machine) -> None:
    machine.be(0)
    machine.have("no-network")
    refused = machine.run("use")
    assert refused.returncode == 1
    assert "E: no such mirror" in refused.stderr
    assert "apt-get could not install python3-venv" in refused.stderr


def test_a_checkout_that_was_moved_makes_a_new_environment(machine: Machine) -> None:
    machine.have("python3-venv", *LIBRARIES)
    machine.run("use")
    shutil.move(machine.folder / "checkout", machine.folder / "elsewhere")
    (machine.folder / "checkout").symlink_to(machine.folder / "elsewhere")
    moved = machine.run("use")
    assert moved.returncode == 0
    assert "making .venv" in moved.stdout
    assert machine.run("use").stdout == ""
