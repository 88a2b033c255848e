"""Brokers that nobody here wrote, each as its own process on free ports of this machine and in a fresh folder. What is not
there says so by name, with what would bring it."""

import os
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path

from watch import ended, until
from wire import Client, free_port


class NotThere(Exception):
    """A server that this machine has not; the message says how to get it."""


def is_open(port):
    try:
        Client(port, patience=3).close()
        return True
    except OSError:
        return False


class Broker:
    """A running broker: `port` speaks MQTT."""

    name, version = "", ""
    mqtt5, patience = True, 60
    login = None

    def __init__(self):
        self.kept = tempfile.TemporaryDirectory(prefix="along-broker-")
        self.folder = Path(self.kept.name)
        self.folder.chmod(0o755)
        self.port = free_port()
        self.child = None
        self.prepare()

    def prepare(self):
        pass

    def command(self):
        raise NotImplementedError

    def surroundings(self):
        return None

    def start(self):
        log = open(self.folder / "broker.log", "ab")
        self.child = subprocess.Popen(
            self.command(), stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=self.surroundings(), start_new_session=True
        )
        until(f"{self.name} opens its port", self.patience, self.ready, self.log)

    def ready(self):
        if self.child.poll() is not None:
            raise AssertionError(f"{self.name} ended with {self.child.returncode}\n{self.log()}")
        return is_open(self.port)

    def log(self):
        path = self.folder / "broker.log"
        return path.read_text(errors="replace")[-4000:] if path.exists() else ""

    def kill(self):
        self.signal(signal.SIGKILL)
        self.child.wait()

    def signal(self, which):
        os.killpg(self.child.pid, which)

    def stop(self):
        if self.child:
            ended(self.child)


def asked(*command, pick=lambda said: said.split()[-1]):
    said = subprocess.run(command, capture_output=True, text=True, timeout=60)
    return pick((said.stdout + said.stderr).strip())


def debian_version(package, root="/"):
    said = subprocess.run(
        ["dpkg-query", f"--admindir={root}/var/lib/dpkg", "-W", "-f", "${Version}", package], capture_output=True, text=True
    )
    return said.stdout.strip()


class Root:
    """Programs of another Debian than this machine's, from a root of its own: they share this machine's network and processes.
    It is made by mmdebstrap when something of it is first wanted, which takes up to a GB and some minutes."""

    def __init__(self, folder, title, packages, suite, *sources, hook="true"):
        self.folder, self.title, self.shared = folder, title, []
        self.command = ["mmdebstrap", "--quiet", "--variant=minbase", f"--include={packages}", f"--setup-hook={hook}", suite, str(folder), *sources]

    def make(self):
        if not self.folder:
            raise NotThere(f"no root of {self.title} (--newer FOLDER makes one with mmdebstrap)")
        if not (self.folder / "usr/sbin").exists():
            try:
                subprocess.run(self.command, check=True)
            except (OSError, subprocess.CalledProcessError) as why:
                raise NotThere(f"the root of {self.title} can't be made: {why}") from why
        for name in ("proc", "dev"):
            if not os.path.ismount(self.folder / name):
                subprocess.run(["mount", "--rbind", f"/{name}", str(self.folder / name)], check=True)
                subprocess.run(["mount", "--make-rslave", str(self.folder / name)], check=True)

    def needs(self, program, package):
        self.make()
        if not (self.folder / program.lstrip("/")).exists():
            raise NotThere(f"{package} is not in {self.folder}")

    def share(self, folder):
        """The same folder at the same place inside and outside."""
        inside = self.folder / str(folder).lstrip("/")
        inside.mkdir(parents=True, exist_ok=True)
        subprocess.run(["mount", "--bind", folder, inside], check=True)
        self.shared.append(inside)

    def call(self, *words):
        return ["chroot", str(self.folder), *words]

    def let_go(self):
        own = [self.folder / name for name in ("proc", "dev") if os.path.ismount(self.folder / name)] if self.folder else []
        for path in [*self.shared, *own]:
            subprocess.run(["umount", "-lR", str(path)], check=False)


def roots(folder):
    """The next Debian; and this one with a mail server of its backports, which suffers no other beside it."""
    beside = folder and folder.with_name(f"{folder.name}-backports")
    pin = "Package: opensmtpd\\nPin: release n=bookworm-backports\\nPin-Priority: 900\\n"
    hook = f'mkdir -p "$1/etc/apt/preferences.d" && printf "{pin}" > "$1/etc/apt/preferences.d/backports"'
    mirror = "deb http://deb.debian.org/debian"
    return (
        Root(folder, "a newer Debian", "rabbitmq-server,ejabberd,mosquitto,exim4-daemon-light", "trixie"),
        Root(
            beside, "this Debian's backports", "opensmtpd,ca-certificates", "bookworm",
            f"{mirror} bookworm main", f"{mirror} bookworm-backports main", hook=hook,
        ),
    )


class Mosquitto(Broker):
    name = "mosquitto"

    def __init__(self, newer=None):
        self.newer = newer
        if newer:
            newer.needs("/usr/sbin/mosquitto", "mosquitto")
        elif not shutil.which("/usr/sbin/mosquitto"):
            raise NotThere("apt-get install mosquitto")
        self.version = debian_version("mosquitto", newer.folder if newer else "/")
        super().__init__()

    def prepare(self):
        (self.folder / "conf").write_text(
            f"user root\nlistener {self.port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
            f"autosave_interval 1\nautosave_on_changes true\npersistence_location {self.folder}/\n"
        )
        if self.newer:
            self.newer.share(self.folder)

    def command(self):
        words = ["/usr/sbin/mosquitto", "-c", str(self.folder / "conf")]
        return self.newer.call(*words) if self.newer else words


class RabbitMQ(Broker):
    """One node. Three of them make a cluster, whose sessions are quorum queues."""

    name, patience = "RabbitMQ", 180

    def __init__(self, newer=None, node="along", quorum=False, epmd=None):
        self.newer, self.quorum = newer, quorum
        self.root = newer.folder if newer else Path("/")
        if newer:
            newer.needs("/usr/sbin/rabbitmq-server", "rabbitmq-server")
        elif not Path("/usr/sbin/rabbitmq-server").exists():
            raise NotThere("apt-get install rabbitmq-server")
        self.version = debian_version("rabbitmq-server", self.root)
        self.mqtt5 = int(self.version.split(".")[0]) >= 4 or self.version.startswith("3.13")
        self.node, self.epmd = f"{node}-{os.getpid()}@localhost", epmd or free_port()
        super().__init__()

    def prepare(self):
        self.distribution, amqp = free_port(), free_port()
        lines = [
            f"listeners.tcp.1 = 127.0.0.1:{amqp}",
            f"mqtt.listeners.tcp.1 = 127.0.0.1:{self.port}",
            "log.console = true",
            "log.console.level = warning",
            # Runs beside others on a small machine.
            "disk_free_limit.absolute = 50MB",
            "loopback_users = none",
        ]
        if self.mqtt5:
            lines += ["anonymous_login_user = guest", "anonymous_login_pass = guest"]
            lines += ["mqtt.max_session_expiry_interval_seconds = 86400"]
        if self.quorum:
            lines.append("mqtt.durable_queue_type = quorum")
        (self.folder / "rabbitmq.conf").write_text("\n".join(lines) + "\n")
        (self.folder / "plugins").write_text("[rabbitmq_mqtt].\n")
        (self.folder / "none").write_text("")
        (self.folder / ".erlang.cookie").write_text("A-COOKIE-FOR-A-TRY")
        (self.folder / ".erlang.cookie").chmod(0o400)
        if self.newer:
            self.newer.share(self.folder)

    def surroundings(self):
        at = str(self.folder)
        return {
            "PATH": "/usr/sbin:/usr/bin:/sbin:/bin",
            "HOME": at,
            "LANG": "C.UTF-8",
            "RABBITMQ_NODENAME": self.node,
            "RABBITMQ_NODE_PORT": "",
            "RABBITMQ_DIST_PORT": str(self.distribution),
            "ERL_EPMD_PORT": str(self.epmd),
            "ERL_EPMD_ADDRESS": "127.0.0.1",
            "RABBITMQ_MNESIA_BASE": f"{at}/mnesia",
            "RABBITMQ_LOG_BASE": f"{at}/log",
            "RABBITMQ_LOGS": "-",
            "RABBITMQ_CONFIG_FILE": f"{at}/rabbitmq.conf",
            "RABBITMQ_CONF_ENV_FILE": f"{at}/none",
            "RABBITMQ_ENABLED_PLUGINS_FILE": f"{at}/plugins",
            # It polls in vain otherwise, on few cores.
            "RABBITMQ_SERVER_ADDITIONAL_ERL_ARGS": "+S 2:2 +sbwt none +sbwtdcpu none +sbwtdio none",
            "ERL_MAX_PORTS": "4096",
        }

    def tool(self, name):
        # The wrapper in /usr/sbin would change the user.
        found = sorted((self.root / "usr/lib/rabbitmq/lib").glob(f"rabbitmq_server-*/sbin/{name}"))
        words = ["/" + str(found[-1].relative_to(self.root))]
        return self.newer.call(*words) if self.newer else words

    def command(self):
        return self.tool("rabbitmq-server")

    def control(self, *words):
        said = subprocess.run(
            [*self.tool("rabbitmqctl"), "-n", self.node, *words], env=self.surroundings(), capture_output=True, text=True, timeout=180
        )
        if said.returncode:
            raise AssertionError(f"rabbitmqctl {' '.join(words)}: {said.stdout}{said.stderr}")
        return said.stdout

    def join(self, first):
        for words in (["stop_app"], ["join_cluster", first.node], ["start_app"]):
            self.control(*words)
        until(f"{self.node} opens its port again", self.patience, self.ready, self.log)

    def stop(self):
        super().stop()
        self.end_epmd()

    def end_epmd(self):
        """Erlang's directory of nodes outlives them; this one was started for ours alone."""
        words = ["epmd", "-port", str(self.epmd), "-kill"]
        subprocess.run(self.newer.call(*words) if self.newer else words, capture_output=True, check=False)


class Rumqttd(Broker):
    name = "rumqttd"

    def __init__(self, program):
        program = program or shutil.which("rumqttd")
        if not program:
            raise NotThere("cargo install rumqttd (0.20, without --locked: its own lock file no longer builds), and --rumqttd PATH")
        self.program, self.version = program, asked(program, "--version")
        super().__init__()

    def prepare(self):
        limits = "max_payload_size = 65536\nmax_inflight_count = 500\nconnection_timeout_ms = 5000\n"
        (self.folder / "rumqttd.toml").write_text(
            "id = 0\n[router]\nid = 0\nmax_connections = 100\nmax_outgoing_packet_count = 200\n"
            "max_segment_size = 10485760\nmax_segment_count = 10\n"
            f'[v5.1]\nname = "v5-1"\nlisten = "127.0.0.1:{self.port}"\nnext_connection_delay_ms = 1\n'
            f"[v5.1.connections]\n{limits}"
            f'[v4.1]\nname = "v4-1"\nlisten = "127.0.0.1:{self.old_port()}"\nnext_connection_delay_ms = 1\n'
            f"[v4.1.connections]\n{limits}"
        )

    def old_port(self):
        self.devices = getattr(self, "devices", None) or free_port()
        return self.devices

    def command(self):
        return [self.program, "-c", str(self.folder / "rumqttd.toml"), "-v"]

    def ready(self):
        if self.child.poll() is not None:
            raise AssertionError(f"{self.name} ended\n{self.log()}")
        return is_open(self.devices)


class Nats(Broker):
    name, mqtt5 = "NATS", False

    def __init__(self, newer=None):
        if not shutil.which("nats-server"):
            raise NotThere("apt-get install nats-server")
        self.version = debian_version("nats-server")
        super().__init__()

    def prepare(self):
        (self.folder / "conf").write_text(
            f'server_name: along\nlisten: "127.0.0.1:{free_port()}"\njetstream {{ store_dir: "{self.folder}/store" }}\n'
            f'mqtt {{ listen: "127.0.0.1:{self.port}" }}\n'
        )

    def command(self):
        return ["nats-server", "-c", str(self.folder / "conf")]


class Ejabberd(Broker):
    name, patience = "ejabberd", 120

    def __init__(self, newer):
        self.newer = newer
        newer.needs("/usr/sbin/ejabberdctl", "ejabberd")
        self.version = debian_version("ejabberd", newer.folder)
        self.epmd = free_port()
        super().__init__()

    def prepare(self):
        (self.folder / "ejabberd.yml").write_text(
            "hosts: [localhost]\nloglevel: warning\nauth_method: [anonymous]\nanonymous_protocol: login_anon\nallow_multiple_connections: true\n"
            f"listen:\n  - port: {self.port}\n    ip: 127.0.0.1\n    module: mod_mqtt\n    backlog: 100\n"
            "modules:\n  mod_mqtt:\n    session_expiry: 1 hour\n    access_publish: {}\n    access_subscribe: {}\n"
        )
        self.newer.share(self.folder)

    def command(self):
        at = str(self.folder)
        return self.newer.call(
            "erl", "-noinput", "-sname", f"along-{os.getpid()}@localhost", "-mnesia", "dir", f'"{at}/mnesia"',
            "-ejabberd", "log_rate_limit", "100", "-s", "ejabberd", "+sbwt", "none", "-setcookie", "along",
        )

    def surroundings(self):
        at = str(self.folder)
        lib = next((self.newer.folder / "usr/lib").glob("*/ejabberd*"), None) or next((self.newer.folder / "usr/lib").glob("ejabberd*"), None)
        inside = "/" + str(lib.relative_to(self.newer.folder)) if lib else ""
        return {
            "PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "HOME": at, "LANG": "C.UTF-8", "ERL_EPMD_PORT": str(self.epmd),
            "ERL_LIBS": f"/usr/lib/{os.uname().machine}-linux-gnu:{inside}",
            "EJABBERD_CONFIG_PATH": f"{at}/ejabberd.yml", "EJABBERD_LOG_PATH": f"{at}/ejabberd.log", "SPOOL_DIR": f"{at}/mnesia",
        }

    def log(self):
        path = self.folder / "ejabberd.log"
        return super().log() + (path.read_text(errors="replace")[-3000:] if path.exists() else "")

    def stop(self):
        super().stop()
        subprocess.run(self.newer.call("epmd", "-port", str(self.epmd), "-kill"), capture_output=True, check=False)
