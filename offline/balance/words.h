#pragma once
#include "offline/balance/balance.h"
#include "settings/settings_json.h"

namespace kitfold::offline {

/// Tables for a person: each drum now, wanted, got and how; each mic's level; the output.
std::string balance_text(const BalanceResult& result);
/// Where it lands, in one line: loudness, true peak, width.
std::string balance_line(const BalanceResult& result);
/// The same for other programs.
dsp::Json balance_json(const BalanceResult& result);

/// The two tables alone.
std::string levels_text(const LevelBalance& levels);

} // namespace kitfold::offline
