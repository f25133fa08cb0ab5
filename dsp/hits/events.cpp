#include "hits/events.h"
#include "hits/hit_math.h"
#include <algorithm>
#include <cmath>

namespace kitfold::dsp {

namespace {

// Of rise, mean of all mics; in a minute of simulated noise it reaches 1.2 dB for four mics, 0.9 for ten.
constexpr float kLeastDb = 1.5f;
// In a drum's own mic alone, where noise reaches 3.4 dB; plain is half of what it can rise by.
constexpr float kLeastOwnDb = 4.0f, kPlainOwnDb = 10.0f;
constexpr std::ptrdiff_t kEventApart = 10;          // frames: sound crosses a kit in 9 ms
constexpr std::ptrdiff_t kPlainApart = 7;           // of a stroke plain in its own mic: that is one place
constexpr std::ptrdiff_t kBefore = 10, kAfter = 11; // frames around an event in which the mics hear it
constexpr float kHiddenByPast = 0.7f; // chosen, not derived: at 0 what a ring covers would count as silence

} // namespace

Listeners listeners(std::span<const TakeMic> mics) {
    Listeners who;
    for (std::size_t m = 0; m < mics.size(); ++m) {
        if (is_room(mics[m].role)) continue;
        if (is_overhead(mics[m].role)) who.overheads.push_back(who.mics.size());
        who.mics.push_back(m);
        who.near.push_back(own_drum(mics[m].role));
    }
    for (std::size_t d = 0; d < kDrumCount; ++d)
        if (const auto own = own_mic(mics, static_cast<Drum>(d)))
            who.own.emplace_back(static_cast<Drum>(d),
                                 std::find(who.mics.begin(), who.mics.end(), *own) - who.mics.begin());
    return who;
}

namespace {

/// Mean power of some frames.
BandLevels mean_power(const Ear& ear, std::ptrdiff_t first, std::ptrdiff_t last) {
    BandLevels out{};
    for (auto f = first; f < last; ++f)
        for (std::size_t b = 0; b < kScanBands; ++b)
            out[b] += ear.energy(f, b) / static_cast<float>(last - first);
    return out;
}

Print print_of(std::span<const Ear> ears, std::ptrdiff_t frame) {
    // Frames: a period of the lowest kick (43 Hz) and more, until the nearest mics hear it and from then on.
    constexpr std::ptrdiff_t kPre = -31, kPreEnd = -7, kPost = -5, kPostEnd = 23;
    constexpr float kRingScatter = 4.0f; // dB, 10 / ln 10 or so: what rang may be gone or twice as loud
    constexpr float kOverFloor = 4.0f;   // from 3 kHz up noise by itself stays below
    Print out;
    for (const Ear& ear : ears) {
        const auto pre = mean_power(ear, frame + kPre, frame + kPreEnd),
                   post = mean_power(ear, frame + kPost, frame + kPostEnd);
        for (std::size_t b = 0; b < kScanBands; ++b) {
            const float added = std::max(post[b] - pre[b], 0.5f * post[b]);
            out.db.push_back(decibels(added));
            const float unsure = kRingScatter * pre[b] / (added + 1e-16f);
            const bool clear = post[b] > 2.0f * pre[b] && post[b] > kOverFloor * ear.floor()[b];
            out.variance.push_back(clear ? kSpreadDb * kSpreadDb + unsure * unsure : INFINITY);
        }
    }
    return out;
}

/// Where between the frames beside it the top of a peak lies: of the parabola through the three.
float top(const std::vector<float>& x, std::ptrdiff_t frame) {
    if (frame < 1 || frame + 1 >= std::ssize(x)) return 0.0f;
    const float* at = x.data() + frame;
    const float bend = at[-1] - 2.0f * at[0] + at[1];
    return bend < 0.0f ? std::clamp(0.5f * (at[-1] - at[1]) / bend, -0.5f, 0.5f) : 0.0f;
}

/// Where cymbals with a mic speak up there and over the kit: a kick 10 ms later covers them in all other
/// bands.
std::vector<std::ptrdiff_t> cymbal_frames(std::span<const Ear> ears, const Listeners& who) {
    constexpr float kLeastTopDb = 6.0f; // twice what a channel scatters
    auto mics = who.overheads;
    for (const auto& [drum, place] : who.own)
        if (is_plate(drum)) mics.push_back(place);
    if (mics.size() == who.overheads.size()) return {};
    return peaks(ears[who.mics[0]].frames(), kEventApart, kLeastTopDb, [&](auto f) {
        float sum = 0.0f;
        for (const auto m : mics) sum += ears[who.mics[m]].top_novelty(f);
        return sum / static_cast<float>(mics.size());
    });
}

/// Puts a frame in its place unless another is as near.
void insert_apart(std::vector<std::ptrdiff_t>& frames, std::ptrdiff_t frame, std::ptrdiff_t apart) {
    const auto next = std::lower_bound(frames.begin(), frames.end(), frame - apart);
    if (next == frames.end() || *next > frame + apart) frames.insert(next, frame);
}

} // namespace

std::vector<HitEvent> gather_events(std::span<const Ear> ears, const Listeners& who) {
    std::vector<HitEvent> events;
    if (who.mics.empty()) return events;
    const auto length = ears[who.mics[0]].frames();
    std::vector<float> together(static_cast<std::size_t>(length));
    for (const auto m : who.mics)
        for (std::ptrdiff_t f = 0; f < length; ++f)
            together[static_cast<std::size_t>(f)] += ears[m].novelty(f) / static_cast<float>(who.mics.size());
    auto frames = peaks(length, kEventApart, kLeastDb, [&](auto f) {
        return f < 0 || f >= length ? 0.0f : together[static_cast<std::size_t>(f)];
    });
    // A drum that all else covers shows in its own mic only: a kick 8 ms after a china is no part of it.
    for (const auto& [drum, place] : who.own) {
        const Ear& ear = ears[who.mics[place]];
        for (const auto f : peaks(length, kEventApart, kLeastOwnDb, [&](auto g) { return ear.novelty(g); }))
            insert_apart(frames, f, ear.novelty(f) > kPlainOwnDb ? kPlainApart : kEventApart);
    }
    const auto plain = frames;
    for (const auto f : cymbal_frames(ears, who)) insert_apart(frames, f, kPlainApart);
    for (const auto f : frames) {
        HitEvent e;
        e.frame = f;
        e.at = static_cast<float>(f) + top(together, f);
        e.print = print_of(ears, f);
        e.of_cymbal = !std::binary_search(plain.begin(), plain.end(), f);
        if (e.of_cymbal) e.print.variance.assign(e.print.variance.size(), INFINITY);
        for (const auto m : who.mics) {
            const auto rise = ears[m].rise(f - kBefore, f + kAfter);
            const auto past = ears[m].past(f - kBefore);
            BandLevels hidden;
            for (std::size_t b = 0; b < kScanBands; ++b)
                hidden[b] = kHiddenByPast * past[b] + kAboveFloor * ears[m].floor()[b];
            e.step.insert(e.step.end(), rise.begin(), rise.end());
            e.hidden.insert(e.hidden.end(), hidden.begin(), hidden.end());
        }
        events.push_back(std::move(e));
    }
    return events;
}

} // namespace kitfold::dsp
