#include "offline/check/words.h"
#include <array>
#include <cmath>
#include <fmt/format.h>

namespace kitfold::offline {
namespace {

std::string mic_list(const CheckResult& r, const std::vector<std::size_t>& mics) {
    std::vector<std::string> names;
    for (const auto m : mics) names.push_back(r.names[m].name);
    return listed(names);
}

std::string thirds_words(const dsp::TakeChange& c, const char* against) {
    constexpr std::array<const char*, 3> kThirds{"first", "second", "last"};
    return fmt::format("in the {} third of the take {} in the {}", kThirds[c.to], against, kThirds[c.from]);
}

Verdict level_words(const CheckResult& r, const dsp::TakeChange& c) {
    return {Weight::look,
            fmt::format("{} hears {} {:.1f} dB {} {}; the other mics as before.", mic_list(r, c.mics),
                        drum_words(c.drum), std::abs(c.amount), c.amount < 0.0 ? "softer" : "louder",
                        thirds_words(c, "than")),
            "Look for a stand that sags, a plug that has come half out, a preamp that was turned; then play "
            "that part again.",
            ""};
}

Verdict polarity_words(const CheckResult& r, const dsp::TakeChange& c) {
    return {
        Weight::look,
        fmt::format("{} is upside down {}.", mic_list(r, c.mics), thirds_words(c, "against itself")),
        "Look for a polarity switch that was pressed or a cable that was changed; then play that part again.",
        ""};
}

Verdict arrival_words(const CheckResult& r, const dsp::TakeChange& c) {
    const auto mics = mic_list(r, c.mics);
    const auto shift = fmt::format("{:.2f} ms {} {}", std::abs(c.amount),
                                   c.amount > 0.0 ? "later" : "earlier", thirds_words(c, "than"));
    if (c.steady) { // between the middles of the first and the last third
        const double ppm = std::abs(c.amount) / 1'000.0 / (r.seconds * 2.0 / 3.0) * 1e6;
        return {
            Weight::look,
            fmt::format("{} {} away from the other mics all through the take: {}, {:.0f} parts in a million.",
                        mics, c.mics.size() == 1 ? "runs" : "run", shift, ppm),
            "Two converters, each on a clock of its own: let one be the clock and the others follow it, and "
            "record again.",
            ""};
    }
    if (c.mics.size() > 1)
        return {
            Weight::look, fmt::format("{} hear the drums {}, all by the same amount.", mics, shift),
            "Are these the mics of one converter? Samples were lost or doubled there: a larger buffer, one "
            "clock, and record again.",
            ""};
    return {Weight::look,
            fmt::format("{} hears {} {}: {:.0f} cm.", mics, drum_words(c.drum), shift, path_cm(c.amount)),
            "Look for a stand that sags or a drum that wanders; fasten it and play that part again.", ""};
}

Verdict noise_words(const CheckResult& r, const dsp::TakeChange& c) {
    return {Weight::look,
            fmt::format("{} is noisier by {:.0f} dB {}; the other mics as before.", mic_list(r, c.mics),
                        c.amount, thirds_words(c, "than")),
            "Listen to it alone while nobody plays: a plug, a preamp that was turned, a dimmer or a fan that "
            "was switched on.",
            ""};
}

} // namespace

std::vector<Verdict> change_verdicts(const CheckResult& r) {
    std::vector<Verdict> out;
    for (const auto& c : r.changes) {
        out.push_back(c.kind == dsp::ChangeKind::level      ? level_words(r, c)
                      : c.kind == dsp::ChangeKind::polarity ? polarity_words(r, c)
                      : c.kind == dsp::ChangeKind::arrival  ? arrival_words(r, c)
                                                            : noise_words(r, c));
        out.back().mics = c.mics;
    }
    return out;
}

} // namespace kitfold::offline
