#!/bin/sh
# The files compiled for one instruction set must not lend their inline functions to the rest of the program.
# usage: inline_code_stays.sh libkitfold_dsp.a
set -eu
nm "$1" | awk '
  /^lane_strip_avx.*:$/ { inside = 1; files++; next }
  /:$/                  { inside = 0 }
  inside && ($2 == "W" || $2 == "V" || $2 == "u") && $3 !~ /^DW\.ref\./ { print "shared: " $3; bad = 1 }
  inside && $2 == "T"   { own++ }
  END { print files " files, " own " functions of their own"; exit (bad || files != 2 || own != 4) }'
