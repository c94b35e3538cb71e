# Sourced by the scripts here: makes .venv with the pinned dependencies, and again after they change.
# shellcheck shell=bash

# The first Python from 3.11 on that this machine has.
find_python() {
  local candidate
  for candidate in python3.13 python3.12 python3.11 python3; do
    if command -v "$candidate" >/dev/null &&
      "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
      echo "$candidate"
      return
    fi
  done
  echo "Python 3.11 or newer is needed and was not found." >&2
  return 1
}

# make_venv FOLDER REQUIREMENTS [--with-passdesk]
make_venv() {
  local folder=$1 requirements=$2 stamp
  stamp=$(cat "$requirements" pyproject.toml | sha256sum)
  if [ -f "$folder/.made" ] && [ "$(cat "$folder/.made")" = "$stamp$PWD${3-}" ]; then
    return
  fi
  echo "Setting up $folder (once)" >&2
  [ -x "$folder/bin/python" ] || "$(find_python)" -m venv "$folder"
  "$folder/bin/python" -m pip install --quiet --disable-pip-version-check --require-hashes \
    --requirement "$requirements"
  if [ "${3-}" = --with-passdesk ]; then
    "$folder/bin/python" -m pip install --quiet --disable-pip-version-check \
      --no-build-isolation --no-deps --editable .
  fi
  printf '%s' "$stamp$PWD${3-}" >"$folder/.made"
}
