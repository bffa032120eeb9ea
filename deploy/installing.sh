# Shared by install, upgrade and uninstall: where things go, and how a change is made and told. Source it.

project="$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)"
opt=/opt/benchward
etc=/etc/benchward
data=/var/lib/benchward
units=/etc/systemd/system
command=/usr/local/bin/benchward
account=benchward
simulated_conf="$units/benchward-station.service.d/simulated.conf"
services=(benchward-station.service benchward-dashboard.service benchward-collector.service)

dry=
yes=
wheels=

say() { printf '%s\n' "$*"; }
warn() { printf 'Note: %s\n' "$*" >&2; }
stop() {
    printf '%s\n' "$*" >&2
    exit 1
}
wrong_use() {
    printf '%s\n' "$*" >&2
    exit 2
}

# run COMMAND...: a change to the machine; told, and with --dry-run only told.
run() {
    printf '  +'
    printf ' %q' "$@"
    printf '\n'
    [ -n "$dry" ] || "$@"
}

# put MODE OWNER:GROUP FILE: writes standard input to FILE if that changes it; in one step, never half.
put() {
    local mode=$1 owner=$2 file=$3 text
    text="$(cat; printf .)"
    text="${text%.}"
    if [ -f "$file" ] && [ "$(cat "$file"; printf .)" = "$text." ]; then
        return
    fi
    say "  + write $file ($owner, mode $mode):"
    printf '%s' "$text" | sed 's/^/      | /'
    [ -z "$dry" ] || return 0
    install -d "$(dirname "$file")"
    printf '%s' "$text" >"$file.new"
    chmod "$mode" "$file.new"
    chown "$owner" "$file.new"
    mv "$file.new" "$file"
}

# agreed QUESTION: whether the person says yes; with --yes always, without a terminal never.
agreed() {
    local answer
    [ -z "$yes" ] || return 0
    [ -z "$dry" ] || return 0
    [ -t 0 ] || return 1
    read -r -p "$1 [y/N] " answer
    [ "$answer" = y ] || [ "$answer" = Y ]
}

# Roles at the broker, and what stands beside the stations in the topics: none of these may name a station.
taken_names="dashboard job-system collector answers"

# may_be_station ID: whether it may name a station, in its records, in topics and at the broker.
may_be_station() {
    local LC_ALL=C
    [[ "$1" =~ ^[A-Za-z0-9_.][A-Za-z0-9_.-]{0,39}$ ]] && [[ " $taken_names " != *" $1 "* ]]
}

# station_of FILE: the station that settings are for. They are read as what they are, TOML.
station_of() {
    python3 - "$1" 2>/dev/null <<'END_OF_FILE' || stop "$1: could not be read as settings; benchward settings check says more."
import sys, tomllib
with open(sys.argv[1], "rb") as file:
    print(tomllib.load(file).get("station", {}).get("id", "bench-1"))
END_OF_FILE
}

# which_station ASKED: the station of this machine. Once it has a name it keeps it: its record bears it.
which_station() {
    local asked=$1 there
    if [ ! -e "$etc/station.toml" ]; then
        printf '%s' "${asked:-bench-1}"
        return
    fi
    there="$(station_of "$etc/station.toml")" || exit
    [ -z "$asked" ] || [ "$asked" = "$there" ] || wrong_use "This machine is the station '$there' ($etc/station.toml), not '$asked'.
Its record and its user at the broker bear that name. Leave --station out, or take it off first: deploy/uninstall."
    printf '%s' "$there"
}

# settings_text STATION: the settings that a new station begins with.
settings_text() {
    cat <<END_OF_FILE
# This bench. What is left out keeps its default; all of them: benchward settings check
# After a change: sudo systemctl restart benchward-station

[station]
id = "$1"

[broker]
host = "localhost"
port = 8883
user = "$1"
password_file = "$etc/broker/$1.password"
ca_file = "$etc/broker/ca.crt"

[journal]
path = "$data/benchward.db"
END_OF_FILE
}

# broker_part FILE MAIN: of a broker's own file what goes beside Debian's configuration. Where and whether Mosquitto
# keeps its state is said there already, and it refuses to start when told twice.
broker_part() {
    if [ ! -e "$2" ] || ! grep -q '^[[:space:]]*persistence_location' "$2"; then
        cat "$1"
    else
        grep -v '^persistence' "$1"
    fi
}

# boot_lacks FILE: the lines that the boot configuration wants and that do not stand there for every board.
boot_lacks() {
    awk -v wanted="dtparam=spi=on dtparam=strict_gpiod" '
        { sub(/[ \t\r]+$/, "") }
        /^\[/ { elsewhere = $0 != "[all]" }
        !elsewhere { found[$0] }
        END {
            count = split(wanted, lines, " ")
            for (n = 1; n <= count; n++) if (!(lines[n] in found)) print lines[n]
        }' "$1"
}

boot_is_ready() {
    [ -z "$(boot_lacks "$1")" ]
}

# ready_boot FILE: adds what it lacks, if somebody agrees; whether the file was changed.
ready_boot() {
    local file=$1 lines
    mapfile -t lines < <(boot_lacks "$file")
    say "The boot configuration $file lacks: ${lines[*]}"
    say "  spi=on: the bus of plate and extraction. strict_gpiod: a dead program's pins are let go, so the permit falls."
    if ! agreed "Add that, keeping the file as it is under $file.before-benchward?"; then
        warn "the boot configuration stays as it is; without these lines the station cannot be relied on."
        return 1
    fi
    [ -e "$file.before-benchward" ] || run cp -p "$file" "$file.before-benchward" ||
        stop "$file: no copy of it could be made, so it stays as it is."
    {
        cat "$file"
        printf '\n# For Benchward\n[all]\n'
        printf '%s\n' "${lines[@]}"
    } | put "$(stat -c %a "$file")" "$(stat -c %U:%G "$file")" "$file" || stop "$file: could not be written."
}

need_root() {
    [ -n "$dry" ] || [ "$(id -u)" -eq 0 ] || stop "This changes the machine: run it with sudo, or with --dry-run."
}

# release_of: the name of what this folder holds: its version and a mark of its contents. The chart library is no
# part of it: it may be there or not.
release_of() {
    local version mark
    version="$(sed -n 's/^VERSION = "\(.*\)"/\1/p' "$project/shared/__init__.py")"
    mark="$(cd "$project" && find station dashboard shared pyproject.toml deploy/lock.txt deploy/lock-collect.txt -type f \
        ! -path '*/__pycache__/*' ! -path 'dashboard/static/vendor/*' -print0 | LC_ALL=C sort -z | xargs -0 sha256sum | sha256sum | cut -c1-10)"
    [ -n "$version" ] || stop "$project/shared/__init__.py names no VERSION."
    printf '%s-%s' "$version" "$mark"
}

# install_locked FOLDER LOCK: the packages of a lock, each checked against its hashes, into a virtual environment.
install_locked() {
    local folder=$1 lock="$project/deploy/$2.txt" from=()
    if [ -n "$wheels" ]; then
        lock="$wheels/$2.txt" from=(--no-index --find-links "$wheels")
    fi
    run "$folder/bin/python" -m pip install -q --disable-pip-version-check "${from[@]}" --require-hashes -r "$lock"
}

# wants_postgres: whether the collector of this machine writes, or is told to write, into PostgreSQL.
wants_postgres() {
    local url="${collect_to:-}"
    [ -n "$url" ] || url="$(sed -n 's/^COLLECT_TO=["'\'']\{0,1\}//p' "$etc/collector.env" 2>/dev/null || true)"
    case "$url" in postgresql:*) ;; *) return 1 ;; esac
}

# need_wheels: what --wheels names holds all that is wanted of it.
need_wheels() {
    [ -n "$wheels" ] || return 0
    [ -f "$wheels/lock.txt" ] || wrong_use "$wheels holds no lock.txt: make it with deploy/wheels."
    ! wants_postgres || [ -f "$wheels/lock-collect.txt" ] ||
        wrong_use "$wheels holds no driver for PostgreSQL: make it with deploy/wheels --collect."
}

# add_postgres NAME: what the collector needs for PostgreSQL, into a release that is there.
add_postgres() {
    local folder="$opt/releases/$1"
    [ ! -e "$folder/collects" ] || return 0
    say "What the collector needs for PostgreSQL:"
    install_locked "$folder" lock-collect
    run touch "$folder/collects"
}

# need_chart_library NAME: zoom and hover for the curves of a release that is there; without them it works as well.
need_chart_library() {
    local package="$opt/releases/$1/lib/python3/site-packages/dashboard" from=() found
    for found in "$opt/releases/$1"/lib/python3.*/site-packages/dashboard; do
        [ ! -d "$found" ] || package="$found"
    done
    ! compgen -G "$package/static/vendor/uplot-*.js" >/dev/null || return 0
    [ -z "$wheels" ] || from=(--from "$wheels")
    run "$project/deploy/chart-library" "${from[@]}" "$package/static/vendor" ||
        warn "the pages' curves are without zoom."
}

# build_release NAME: a virtual environment with the program under $opt/releases; nothing else changes.
# It sees Debian's packages, because the driver of the pins comes from there; what the lock names goes before them.
build_release() {
    local folder="$opt/releases/$1" source
    if [ -e "$folder/complete" ]; then
        say "The program $1 is in $folder already."
        return
    fi
    say "The program, in a virtual environment of its own:"
    run rm -rf "$folder"
    run install -d -m 755 "$opt" "$opt/releases"
    run python3 -m venv --system-site-packages "$folder"
    if [ -n "$wheels" ]; then
        install_locked "$folder" lock
    elif ! install_locked "$folder" lock; then
        say "Some packages come as source only: a compiler is needed."
        run env DEBIAN_FRONTEND=noninteractive apt-get install -y -q gcc python3-dev
        install_locked "$folder" lock
    fi
    # From a copy: what building leaves behind does not belong in the folder that was handed out.
    source="$(mktemp -d)"
    cp -r "$project/station" "$project/dashboard" "$project/shared" "$project/pyproject.toml" \
        "$project/README.md" "$source/"
    run "$folder/bin/python" -m pip install -q --disable-pip-version-check --no-index --no-deps \
        --no-build-isolation "$source"
    rm -rf "$source"
    run cp "$project/README.md" "$folder/README.md"
    run touch "$folder/complete"
}

# point_at NAME: what the services run from now on; in one step.
point_at() {
    [ "$(readlink "$opt/current" 2>/dev/null || true)" != "releases/$1" ] || return 0
    run ln -sfn "releases/$1" "$opt/current.new"
    run mv -T "$opt/current.new" "$opt/current"
}

# put_units: the units as this folder has them.
put_units() {
    local file
    for file in "$project"/deploy/systemd/*; do
        put 644 root:root "$units/$(basename "$file")" <"$file"
    done
}

# unit_says FILE KEY: the values that a unit gives a key, in one line.
unit_says() {
    sed -n "s/^$2=//p" "$1" | tr '\n' ' ' | sed 's/ *$//'
}

# command_text UNIT: the command line that people call. As root it becomes the user of the station's unit, with the
# groups and the environment that the unit gives it: without them it reaches neither pins nor bus.
command_text() {
    local unit=$1 environment folder
    environment="$(unit_says "$unit" Environment)"
    folder="$(tr ' ' '\n' <<<"$environment" | sed -n 's/^LG_WD=//p')"
    cat <<END_OF_FILE
#!/bin/sh
# Benchward's command line, as the user whom its files belong to and with this bench's settings.
program=$opt/current/bin/benchward
[ "\$(id -u)" -eq 0 ] || exec "\$program" "\$@"
own="\$(id -gn $account)"
set -- --settings $etc/station.toml "\$@"
# The library that drives the pins makes files of its own there; the folder goes when the station is stopped.
[ -d $folder ] || install -d -m 750 -o $account -g "\$own" $folder
set -- -- "\$program" "\$@"
for group in $(unit_says "$unit" SupplementaryGroups); do
    ! getent group "\$group" >/dev/null || set -- -G "\$group" "\$@"
done
exec env $environment runuser -u $account -g "\$own" "\$@"
END_OF_FILE
}

# put_command: the command line, for the station's unit as this folder has it.
put_command() {
    command_text "$project/deploy/systemd/benchward-station.service" | put 755 root:root "$command"
}

# settle_broker STATION: the broker's files, made or brought up to date. $broker_wants: what the broker must then do.
broker_wants=
settle_broker() {
    local before
    before="$(cksum "$etc/broker/acl" "$etc/broker/passwords" 2>/dev/null || true)"
    run "$project/deploy/broker-files" --for "$account" "$etc/broker" "$(hostname)" "$1"
    [ "$before" = "$(cksum "$etc/broker/acl" "$etc/broker/passwords" 2>/dev/null || true)" ] ||
        broker_wants=reload-or-restart
}

# as_benchward RELEASE ARGUMENT...: our program as the user whom the files belong to.
as_benchward() {
    local release=$1
    shift
    (cd "$data" && run runuser -u benchward -- "$opt/releases/$release/bin/benchward" "$@")
}

# enabled: the services that are to run here.
enabled() {
    local unit
    for unit in "${services[@]}"; do
        ! systemctl is-enabled -q "$unit" 2>/dev/null || printf '%s\n' "$unit"
    done
}

# pages_port: where the pages answer on this machine, as ADDRESS PORT.
pages_port() {
    local PAGES_HOST=127.0.0.1 PAGES_PORT=8080
    # shellcheck disable=SC1091
    [ ! -e "$etc/dashboard.env" ] || . "$etc/dashboard.env"
    case "$PAGES_HOST" in 0.0.0.0 | ::) PAGES_HOST=127.0.0.1 ;; esac
    printf '%s %s' "$PAGES_HOST" "$PAGES_PORT"
}

# watch_for SECONDS UNIT...: whether the pages come to answer, and every unit then stays up for so long with no
# restart in between.
watch_for() {
    local seconds=$1 unit before after host port left=180
    shift
    before="$(systemctl show -p NRestarts --value "$@" | tr '\n' ' ')"
    read -r host port <<<"$(pages_port)"
    while [[ " $* " == *" benchward-dashboard.service "* ]] && ! (: <>"/dev/tcp/$host/$port") 2>/dev/null; do
        [ "$left" -gt 0 ] || return 1
        [ "$before" = "$(systemctl show -p NRestarts --value "$@" | tr '\n' ' ')" ] || return 1
        sleep 1
        left=$((left - 1))
    done
    while [ "$seconds" -gt 0 ]; do
        sleep 1
        seconds=$((seconds - 1))
        for unit in "$@"; do
            systemctl is-active -q "$unit" || return 1
        done
    done
    after="$(systemctl show -p NRestarts --value "$@" | tr '\n' ' ')"
    [ "$before" = "$after" ]
}
