#pragma once
// What a bounce was made of and what came out: for the shelf, and to do it again.
#include "offline/bounce/bounce.h"
#include "settings/settings_json.h"

namespace kitfold::offline {

/// Figures of a bounce as JSON, `bounce --json` prints it.
dsp::Json bounce_json(const BounceRequest& request, const BounceFigures& figures);

/// Figures of a bounce for a person, on a terminal of 80 columns.
std::string bounce_text(const BounceRequest& request, const BounceFigures& figures);

/// "24 bit, 48000 Hz, stereo, 30.0 s"
std::string format_text(const AudioFormat& format);
/// What a person reads first of a bounce: heading and value.
std::vector<std::pair<std::string, std::string>> summary_lines(const BounceFigures& figures);
/// What part of the recording it is of. @pre it is not the whole
std::string range_text(const BounceRequest& request, const BounceFigures& figures);

/// {"kitfold_recall": 1, …}: version, date, every setting (the session itself), digests of the files,
/// figures.
std::string recall_json(const BounceRequest& request, const BounceFigures& figures, const std::string& date);

/// The same for the studio's shelf, on one sheet of paper for a dozen mics: what is set in the kit's mics
/// side by side, room to write what no file knows, digests last. Plain HTML; every name in it is escaped.
std::string recall_page(const BounceRequest& request, const BounceFigures& figures, const std::string& date);

} // namespace kitfold::offline
