#include "analysis/excerpts.h"
#include <algorithm>
#include <cmath>

namespace kitfold::dsp {

namespace {

std::vector<Hit> choose(std::span<const Hit> hits, Drum drum, std::size_t most) {
    std::vector<Hit> own;
    std::copy_if(hits.begin(), hits.end(), std::back_inserter(own),
                 [&](const Hit& h) { return h.drum == drum; });
    std::stable_sort(own.begin(), own.end(), [](const Hit& a, const Hit& b) {
        return a.alone != b.alone ? a.alone : a.strength_db > b.strength_db;
    });
    // Hits that overlap another drum are worse than fewer hits, as long as a handful remains.
    const auto alone =
        static_cast<std::size_t>(std::count_if(own.begin(), own.end(), [](const Hit& h) { return h.alone; }));
    constexpr std::size_t kHandful = 6;
    own.resize(std::min(own.size(), alone >= kHandful ? std::min(alone, most)
                                                      : std::min(most, std::max(alone, kHandful))));
    std::sort(own.begin(), own.end(), [](const Hit& a, const Hit& b) { return a.time_s < b.time_s; });
    return own;
}

} // namespace

DrumExcerpts::DrumExcerpts(const Take& take, std::span<const Hit> hits, Drum drum, double before_ms,
                           double after_ms, std::size_t most)
    : drum_(drum), rate_hz_(take.rate_hz), mics_(take.mics.size()),
      length_(static_cast<std::size_t>(std::lround((before_ms + after_ms) * take.rate_hz / 1000.0))),
      origin_(static_cast<std::size_t>(std::lround(before_ms * take.rate_hz / 1000.0))),
      chosen_(choose(hits, drum, most)), samples_(mics_ * chosen_.size() * length_) {
    for (std::size_t m = 0; m < mics_; ++m)
        for (std::size_t n = 0; n < chosen_.size(); ++n)
            take.read(m, std::llround(chosen_[n].time_s * rate_hz_) - static_cast<std::int64_t>(origin_),
                      std::span(samples_).subspan((m * chosen_.size() + n) * length_, length_));
}

} // namespace kitfold::dsp
