#!/bin/sh
# Instructions per mic-sample of the DSP loop, counted by callgrind (which runs the AVX2 code): the same number on
# every machine with the same compiler, whatever else it does.
# usage: count_instructions.sh PROGRAM [BLOCKS MOST]
#   without BLOCKS: a table; with them: exits 1 when the count is above MOST.
set -eu
count() {
  log="$(mktemp)"
  made="$(valgrind --tool=callgrind --callgrind-out-file=/dev/null --toggle-collect='kitfold::dsp::KitMix::process*' \
    "$program" "$1" 2>"$log")"
  collected="$(sed -n 's/.*Collected : \([0-9]*\).*/\1/p' "$log")"
  rm -f "$log"
  awk -v c="$collected" -v m="$made" 'BEGIN { printf "%.2f\n", c / m }'
}
program="$1"
if [ $# = 3 ]; then
  found="$(count "$2")"
  echo "$2: $found instructions per mic-sample, at most $3 expected"
  awk -v f="$found" -v most="$3" 'BEGIN { exit !(f > 0 && f <= most) }'
else
  for blocks in sum delay kick gate gate+key damp bus delay+kick+gate+damp+bus; do printf '%-24s %s\n' "$blocks" "$(count $blocks)"; done
fi
