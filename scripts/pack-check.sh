#!/usr/bin/env bash
# Packs the release as a person would get it, installs it into an empty folder without development dependencies, and uses it there.
set -euo pipefail
cd "$(dirname "$0")/.."
root=$PWD
# The Node of this clone: the machine's own may be too old.
export PATH="$root/node_modules/.bin:$PATH"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

fail() {
  echo "pack check: $*" >&2
  exit 1
}

npm pack --silent --pack-destination "$work" >"$work/name"
tarball=$work/$(tail -n 1 "$work/name")
tar -tzf "$tarball" | sed 's|^package/||' | sort >"$work/list"
for needed in LICENSE README.md CHANGELOG.md bin/mouldtend.js dist/service/main.js dashboards/alert-rules.yml; do
  grep -qxF "$needed" "$work/list" || fail "$needed is not in the tarball"
done
if stray=$(grep -E '\.ts$|^(test|bench|scripts|\.ci|\.git)/|\.db(-wal|-shm)?$|\.(reserve|owner|backup)$|(^|/)pki/|\.pem$|\.key$|(^|/)\.env' "$work/list"); then
  fail "not meant for a release: $stray"
fi

mkdir "$work/empty"
cd "$work/empty"
npm init --yes >/dev/null
npm install --omit=dev --no-audit --no-fund --loglevel=error "$tarball"
cp -r "$root/examples" site
mouldtend=node_modules/.bin/mouldtend
node "$mouldtend" check site/first-site.yaml || fail 'check of examples/first-site.yaml failed'

# An error in a site file must be seen by whoever calls: a check that finds nothing wrong with anything proves nothing.
sed '0,/^[a-z]/s//nonsense_/' site/first-site.yaml >site/broken.yaml
if node "$mouldtend" check site/broken.yaml >"$work/broken.out" 2>&1; then
  fail 'check of a broken site file passed'
fi
grep -q 'broken.yaml:' "$work/broken.out" || fail "the message names no place in the file: $(cat "$work/broken.out")"
# Threads, the virtual hall's process and the files that are read at run time are found only by running.
timeout 60 node "$mouldtend" demo --seconds 5 --http-port 0 --mqtt-port 0 >"$work/demo.out" 2>&1 || fail "the demo failed: $(cat "$work/demo.out")"
echo "pack check: $(basename "$tarball"), $(wc -l <"$work/list") files: installed and used"
