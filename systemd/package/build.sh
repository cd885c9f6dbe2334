#!/bin/bash
# Builds the Debian packages of the checked out commit: armhf (for every board from the first on, ARMv6), arm64
# and amd64. Two runs over one commit give the same bytes.
#
#   systemd/package/build.sh OUT [armhf|arm64|amd64 ...]
#
# BIN=FILE packs that instead of building a binary. Wants Go and git, and for nfpm the network once (3: it cannot
# be had).
set -euo pipefail
HERE=$(cd "$(dirname "$0")" && pwd)
TOP=$(cd "$HERE/../.." && pwd)
out=${1:?usage: build.sh OUT [ARCHITECTURE ...]}
shift
[ $# -gt 0 ] || set -- armhf arm64 amd64
mkdir -p "$out"
cd "$HERE"
export SOURCE_DATE_EPOCH
SOURCE_DATE_EPOCH=$(git log -1 --format=%ct)
TIME=$(date -u -d "@$SOURCE_DATE_EPOCH" +%Y-%m-%dT%H:%M:%SZ)
# By the commit's time, so that a later one is newer; marked where the files are not the commit's.
VERSION=0.$(date -u -d "@$SOURCE_DATE_EPOCH" +%Y%m%d.%H%M%S)+g$(git rev-parse --short=9 HEAD)
[ -z "$(git status --porcelain --untracked-files=no)" ] || VERSION+=.dirty
VERSION=${DEB_VERSION:-$VERSION}
STAGE=$(mktemp -d)
trap 'rm -rf "$STAGE"' EXIT
gzip -9n <holdbell.1 >"$STAGE/holdbell.1.gz"
printf 'holdbell (%s) unstable; urgency=medium\n\n  * Built from the commit whose time and id the version holds.\n\n -- %s  %s\n' \
  "$VERSION" "$(sed -n 's/^maintainer: //p' nfpm.yaml)" "$(LC_ALL=C date -u -d "@$SOURCE_DATE_EPOCH" '+%a, %d %b %Y %T +0000')" |
  gzip -9n >"$STAGE/changelog.gz"
nfpm=$STAGE/nfpm
GOFLAGS=-mod=mod GOBIN=$STAGE go install github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.45.2 ||
  { echo "build.sh: nfpm cannot be had; it takes the network once" >&2; exit 3; }
for deb; do
  case $deb in
    armhf) export GOARCH=arm GOARM=6; ARCH=arm6 ;;
    arm64 | amd64) export GOARCH=$deb; ARCH=$deb ;;
    *) echo "build.sh: no architecture is called $deb; write armhf, arm64 or amd64" >&2; exit 2 ;;
  esac
  if [ -n "${BIN:-}" ]; then
    cp "$BIN" "$STAGE/holdbell"
  else
    (cd "$TOP" && CGO_ENABLED=0 GOOS=linux go build -trimpath -buildvcs=true -ldflags='-s -w' -o "$STAGE/holdbell" ./cmd/holdbell)
  fi
  sed "s|\${ARCH}|$ARCH|; s|\${VERSION}|$VERSION|; s|\${TIME}|$TIME|; s|\${STAGE}|$STAGE|; s|\${HERE}|$HERE|; s|\${TOP}|$TOP|" nfpm.yaml >"$STAGE/nfpm.yaml"
  "$nfpm" package --config "$STAGE/nfpm.yaml" --packager deb --target "$out/holdbell_${VERSION}_$deb.deb" >&2
  echo "$out/holdbell_${VERSION}_$deb.deb"
done
