#pragma once
// Settings that move without a click: every number of a block glides to its new value in 20 ms, gains in dB,
// frequencies and most times in octaves (Parameter::scale).
#include "settings/parameters.h"
#include <cmath>
#include <type_traits>

namespace kitfold::dsp {

inline constexpr double kMoveMs = 20.0;
inline constexpr double kMinRateHz = 8'000.0, kMaxRateHz = 384'000.0;

inline bool rate_allowed(double rate_hz) noexcept { return rate_hz >= kMinRateHz && rate_hz <= kMaxRateHz; }

/// The settings on their way. A move always runs to its end; one asked for meanwhile starts then, so that
/// choices (slopes, polarity) can be crossfaded between exactly two states. Audio thread; no allocation.
template <class Settings> class Moving {
public:
    void prepare(double rate_hz) noexcept {
        length_ = static_cast<int>(std::lround(rate_hz * kMoveMs / 1000.0));
        snap(to_);
    }
    /// Takes the settings at once.
    void snap(const Settings& settings) noexcept {
        from_ = to_ = now_ = next_ = settings;
        left_ = 0;
    }
    /// Starts to move there, or does so after the present move.
    void aim(const Settings& settings) noexcept {
        next_ = settings;
        if (left_ == 0 && !(next_ == to_)) start();
    }
    [[nodiscard]] bool still() const noexcept { return left_ == 0; }
    /// 0 at from(), 1 at to().
    [[nodiscard]] double progress() const noexcept { return 1.0 - static_cast<double>(left_) / length_; }
    [[nodiscard]] const Settings& from() const noexcept { return from_; }
    [[nodiscard]] const Settings& to() const noexcept { return to_; }
    [[nodiscard]] const Settings& now() const noexcept { return now_; }
    [[nodiscard]] const Settings& aimed() const noexcept { return next_; }

    /// One sample on.
    void step() noexcept {
        if (left_ == 0) return;
        if (--left_ > 0) return interpolate();
        now_ = from_ = to_;
        if (!(next_ == to_)) start();
    }

private:
    void start() noexcept {
        from_ = to_;
        to_ = next_;
        left_ = length_;
    }
    void interpolate() noexcept {
        const double t = progress();
        for (const auto& field : fields<Settings>()) {
            const double a = field.of(from_), b = field.of(to_);
            field.put(now_, a == b ? b : between(field.parameter, a, b, t));
        }
        if constexpr (std::is_same_v<Settings, DampSettings>) interpolate_bands(t);
    }
    /// A band that only one side has comes and goes by its ring time, which starts or ends as recorded.
    void interpolate_bands(double t) noexcept {
        now_.band_count = from_.band_count > to_.band_count ? from_.band_count : to_.band_count;
        for (std::size_t i = 0; i < now_.band_count; ++i) {
            auto a = i < from_.band_count ? from_.bands[i] : to_.bands[i];
            auto b = i < to_.band_count ? to_.bands[i] : from_.bands[i];
            if (i >= from_.band_count) a.ring_ms = a.open_ring_ms;
            if (i >= to_.band_count) b.ring_ms = b.open_ring_ms;
            for (const auto& field : fields<RingBand>()) {
                const double from = field.of(a), to = field.of(b);
                field.put(now_.bands[i], from == to ? to : between(field.parameter, from, to, t));
            }
        }
    }
    static double between(const Parameter& p, double a, double b, double t) noexcept {
        if (p.scale == Scale::choice || p.scale == Scale::on_off) return b;
        if (p.special.end !=
            Special::End::none) { // a special value has no midway: go by the range's end next to it
            const double end = p.special.end == Special::End::below ? p.min : p.max;
            if (a == p.special.value) a = end;
            if (b == p.special.value) b = end;
        }
        if (p.scale == Scale::octaves) return a * std::exp2(t * std::log2(b / a));
        return a + t * (b - a);
    }

    int length_ = 960, left_ = 0;
    Settings from_{}, to_{}, now_{}, next_{};
};

} // namespace kitfold::dsp
