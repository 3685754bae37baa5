#!/usr/bin/env bash
# Installs the Debian programs that tests speak with. None of them is left running. Does nothing where all are there.
set -euo pipefail
packages=(
  mosquitto mosquitto-clients # broker and client to speak MQTT with
  python3-pymodbus            # a Modbus device not made by us
  mbpoll                      # reads registers, to compare
  prometheus                  # promtool, and a metrics store to be scraped by
  docker-compose              # judges docker-compose.yml without an engine
  systemd                     # systemd-analyze judges the unit file, systemd-notify tells
  socat                       # pairs of pseudo terminals, datagram sockets
  strace                      # shows that the journal is synced before an alert leaves
  openssl                     # certificates for tests
)
missing=()
for package in "${packages[@]}"; do
  [ "$(dpkg-query -W -f '${db:Status-Status}' "$package" 2>/dev/null)" = installed ] || missing+=("$package")
done
if [ ${#missing[@]} -eq 0 ]; then
  exit 0
fi
if ! command -v apt-get >/dev/null; then
  echo "No apt-get here. Tests that need these Debian packages are skipped: ${missing[*]}" >&2
  exit 0
fi
if [ "$(id -u)" -ne 0 ]; then
  echo "Tests that need these are skipped until somebody runs: sudo apt-get install --no-install-recommends ${missing[*]}" >&2
  exit 0
fi

# Debian starts a service as soon as it is installed unless this file says no (Debian Policy, invoke-rc.d).
policy=/usr/sbin/policy-rc.d
if [ ! -e "$policy" ]; then
  printf '#!/bin/sh\nexit 101\n' >"$policy"
  chmod 755 "$policy"
  trap 'rm -f "$policy"' EXIT
fi
export DEBIAN_FRONTEND=noninteractive
apt-get update -qq
apt-get install -qq -y --no-install-recommends "${missing[@]}"
