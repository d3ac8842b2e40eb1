#!/usr/bin/env bash
# bash tests/fuzz/run.sh SECONDS [TARGET ...]: each target for so long, guided by coverage.
# Needs `pip install atheris`. A finding is left beside the corpus in use and ends its target;
# what finds new ways is kept in $FUZZ_CORPUS (else a folder that is thrown away).
set -euo pipefail
cd "$(dirname "$0")/../.."
seconds=${1:?"seconds for each target"}
shift
targets=("$@")
[ ${#targets[@]} -gt 0 ] || targets=(frame line attribute found advert driver procedure other record journal)
python=${PYTHON:-python3}
work=${FUZZ_CORPUS:-$(mktemp -d)}
status=0
for target in "${targets[@]}"; do
    mkdir -p "$work/$target" "$work/findings"
    if "$python" tests/fuzz/guided.py "$target" -max_total_time="$seconds" -timeout=20 \
        -rss_limit_mb=2048 -max_len=600 -print_final_stats=1 -artifact_prefix="$work/findings/$target-" \
        "$work/$target" "fixtures/corpus/$target" >"$work/$target.log" 2>&1; then
        found=nothing
    else
        found="A FINDING, see $work/$target.log"
        status=1
    fi
    runs=$(sed -n 's/^stat::number_of_executed_units: *//p' "$work/$target.log")
    echo "$target: ${runs:-no count of} executions in $seconds s, found $found"
done
exit $status
