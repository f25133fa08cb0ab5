#pragma once
// The figures of a check, for machines and in tables.
#include "offline/check/check.h"
#include "settings/settings_json.h"
#include <string>

namespace kitfold::offline {

/// The object of `check --json`, "kitfold_check": 1. Mics are named, numbers rounded to what they are good
/// for.
dsp::Json check_json(const CheckResult& result);

/// Every figure in tables, at most 100 columns wide.
std::string check_tables(const CheckResult& result);

} // namespace kitfold::offline
