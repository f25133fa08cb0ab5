#pragma once
// What a bounce was made of and what came out: for the shelf, and to do it again.
#include "offline/bounce/bounce.h"
#include "settings/settings_json.h"

namespace kitfold::offline {

/// Figures of a bounce as JSON, `bounce --json` prints it.
dsp::Json bounce_json(const BounceRequest& request, const BounceFigures& figures);

/// Figures of a bounce for a person, on a terminal of 80 columns.
std::string bounce_text(const BounceRequest& request, const BounceFigures& figures);

/// {"kitfold_recall": 1, …}: version, date, every setting (the session itself), digests of the files,
/// figures.
std::string recall_json(const BounceRequest& request, const BounceFigures& figures, const std::string& date);

/// The same as one page of plain HTML, to read or print. Every name in it is escaped.
std::string recall_page(const BounceRequest& request, const BounceFigures& figures, const std::string& date);

} // namespace kitfold::offline
