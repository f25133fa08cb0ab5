#pragma once
// All of Damp, for a source file that compiles it for a lane type.
#include "dynamics/damp_moves.h"
#include "dynamics/damp_samples.h"
#include "dynamics/damp_strokes.h"
