#pragma once
// A drum as recorded and as it would be deadened, next to each other at the same loudness.
#include "offline/session/session.h"
#include "ring/damp_learn.h"
#include "settings/settings_json.h"
#include "take/take.h"
#include <functional>
#include <string>
#include <vector>

namespace kitfold::offline {

struct AuditionRequest {
    Session open;
    std::optional<Session> deadened; ///< a second, real take; without it the first is deadened by Damp
    dsp::Role role = dsp::Role::snare_top;
    double amount = 1.0; ///< -1..1, of Damp
    std::filesystem::path folder;
};

/// One recording in memory, 1 or 2 channels of equal length.
using Channels = std::vector<std::vector<float>>;

struct AuditionSound {
    Channels samples;                            ///< level-matched
    double turned_down_db = 0.0;                 ///< by how much for that: 0 for the softer one
    double loudness_lufs = 0.0, peak_dbfs = 0.0; ///< after that
};

struct AuditionSide {
    AuditionSound drum, kit;
    dsp::RingResult ring;
};

/// A ring time on both sides, each measured alike on the strokes themselves; nothing where they don't show
/// it.
struct ComparedRing {
    std::string what;                           ///< "104.3 Hz", "first 10 dB", "-5 to -25 dB"
    double hz = 0.0;                            ///< 0: the whole drum
    std::optional<double> open_ms, deadened_ms; ///< T60
    bool sure = false;                    ///< the strokes agree, on both sides; of the whole drum always
    [[nodiscard]] bool shortened() const; ///< by a twentieth or more
};

struct AuditionResult {
    int rate_hz = 48'000;
    std::string title, mic;
    dsp::Drum drum = dsp::Drum::snare;
    AuditionSide open, deadened;
    std::optional<dsp::DampSettings> damp; ///< when Damp did it
    double amount = 0.0;                   ///< as far as the noise floor allowed
    std::vector<ComparedRing> rings;       ///< partials in rising frequency, then the whole drum twice
    std::size_t hits = 0;                  ///< of the drum; in two takes, pairs that match
    std::vector<double> times_s;           ///< of those hits in `open`
    std::vector<std::string> notices;
};

/// Renders both sides. The louder one is turned down until the loudness is the same (within 0.1 LU), so that
/// neither goes above its own peak. Holds the take in memory: 4 bytes a sample for two mics and two stereo
/// submixes.
/// @param progress share done, 0..1
/// Throws Error: bad_input when no mic has the role, it is no drum's close mic, the take has no hits of that
/// drum, the rates or the kits of two takes differ, nothing can be learned; otherwise as KitReader does, and
/// as Outputs does for the files of write_audition().
AuditionResult audition(const AuditionRequest& request, const std::function<void(double)>& progress = {});

/// Writes open.wav, deadened.wav, kit_open.wav, kit_deadened.wav (24 bit) and audition.html into the folder,
/// which is made if it is not there. All or nothing. Throws Error: io_failed, bad_input.
void write_audition(const AuditionResult& result, const AuditionRequest& request);

/// "The snare rings 371 ms, deadened 167 ms; at 194 Hz 381 ms, deadened 171 ms."
std::string audition_sentence(const AuditionResult& result);
std::string audition_text(const AuditionResult& result, const std::filesystem::path& folder);
dsp::Json audition_json(const AuditionResult& result, const std::filesystem::path& folder);

/// The page: one HTML file with at most 12 s of each sound in it, nothing loaded from anywhere.
std::string audition_page(const AuditionResult& result);

} // namespace kitfold::offline
