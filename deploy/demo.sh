#!/bin/sh
# Show the main job: install into .venv if that is not done yet, then start the simulated bay.
# Options are handed on, e.g.  sh deploy/demo.sh --speed 5
set -eu
cd "$(dirname "$0")/.."
sh deploy/setup.sh
exec .venv/bin/tallydeck demo "$@"
