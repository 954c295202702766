#!/usr/bin/env bash
# Starts the demo from the top of the checkout: simulated pots on pseudo-terminals, the server with its embedded
# broker, two agents. Ends all of them on Ctrl-C, and when one of them fails. Use: deploy/demo/demo.sh HTTP MQTT FOLDER
set -euo pipefail
cd "$(dirname "$0")/../.."
http=${1:-127.0.0.1:8080} mqtt=${2:-127.0.0.1:1883}
run=${3:-run/demo}
mkdir -p "$run"

for f in site.yaml quay-1.yaml quay-2.yaml sim.yaml; do
  sed -e "s/127\.0\.0\.1:8080/$http/; s/127\.0\.0\.1:1883/$mqtt/; s#run/demo#$run#" "deploy/demo/$f" >"$run/$f"
done

pids=()
finish() {
  trap - EXIT INT TERM
  ((${#pids[@]} == 0)) || kill "${pids[@]}" 2>/dev/null || true
  wait || true
}
trap 'finish; exit 0' INT TERM
trap finish EXIT

await() { # file, words, process: until the words stand in the file
  until grep -q "$2" "$1" 2>/dev/null; do
    kill -0 "$3" 2>/dev/null || { cat "$1" >&2; exit 1; }
    sleep 0.1
  done
}

bin/gritwatch-sim run --config "$run/sim.yaml" --truth "$run/truth.jsonl" >"$run/sim.log" 2>&1 &
pids+=($!)
await "$run/sim.log" 'lines ready' $!
bin/gritwatch-server run --config "$run/site.yaml" >"$run/server.out" 2>"$run/server.log" &
pids+=($!)
await "$run/server.out" 'dashboard: ' $! || true
for agent in quay-1 quay-2; do
  bin/gritwatch-agent run --config "$run/$agent.yaml" >"$run/$agent.log" 2>&1 &
  pids+=($!)
done

cat "$run/server.out"
echo "Harrow Quay is simulated: six pots, two agents. Logs are in $run. Ctrl-C ends everything."
wait -n "${pids[@]}" || true
echo "one of the programs has ended:" >&2
for log in "$run"/*.log; do echo "$log:"; tail -n 3 "$log"; done >&2
exit 1
