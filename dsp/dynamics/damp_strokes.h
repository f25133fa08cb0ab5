#pragma once
// Damp, once per hop: what rang, what a stroke brought, and how much of each is to be taken in the next hop.
#include "dynamics/damp.h"

namespace kitfold::dsp {

template <class V> void Damp<V>::follow() noexcept {
    const V high2 = level2_of(broad_[0]), all2 = level2_of(broad_[1]);
    std::array<V, kRingBands> re, im, level2; // of the bands in use
    tell_apart(re, im);
    // A stroke in the top or in everything counts for all; one in a band for the bands, which only a
    // stroke that is nearly all tone reaches before the others.
    const Mask broad_quiet = since_[kBroad].load() < every(quiet_),
               quiet = since_[kBands].load() < every(quiet_);
    const Mask broad = either(rises(broad_[0], high2, every(4.0), every(kOverNoise), broad_quiet),
                              rises(broad_[1], all2, every(4.0), every(kOverNoise), broad_quiet));
    const Mask struck = count(since_[kBroad], broad);
    // A stroke right after a false alarm of the bands is news to them all the same.
    const Mask calm = both(quiet, since_[kBroad].load() > every(0.5));
    Mask tone = since_[kBands].load() < every(0.0);
    for (std::size_t i = 0; i < used_count_; ++i) {
        auto& ring = rings_[used_[i]];
        level2[i] = re[i] * re[i] + im[i] * im[i];
        // A band is too slow to tell a second stroke from the partials that beat in it while it fills.
        const Mask filled = since_[kBands].load() > ring.window.load();
        tone = either(tone, both(rises(ring, level2[i], every(4.0), every(kOverNarrow), quiet), filled));
        remember(ring, re[i], im[i], either(calm, level2[i] <= ring.rise.met2.load()));
    }
    (void)count(since_[kBands], tone);
    since_[kBands].store(select(struck, every(0.0), since_[kBands].load()));
    if (!steady_) fade();
    for (std::size_t i = 0; i < used_count_; ++i) follow_ring(rings_[used_[i]], re[i], im[i], level2[i]);
    take_apart();
    const V wet = wet_.load(), one(1.0);
    const V high = follow_level(broad_[0], high2), tail = follow_level(broad_[1], all2);
    const V of_band = (one - root(high)) * wet * every(kRoot2);
    aim(high_.band, of_band), aim(high_.top, (one - high) * wet + of_band * every(high_.g));
    aim(tail_, one - (one - tail) * wet);
}

/// Hops since the last stroke; during the first few no other is looked for. Is this one?
template <class V> auto Damp<V>::count(PerLane<V>& since, Mask stroke) noexcept -> Mask {
    const V next = since.load() + every(1.0);
    since.store(select(stroke, select(next < every(quiet_), next, every(0.0)), next));
    return since.load() < every(0.5);
}

/// Mean square of the hop, which then falls no faster than a half-wave of the lowest drum needs.
template <class V> V Damp<V>::level2_of(Broad& b) noexcept {
    const V level2 =
        larger(b.sum.load() * every(1.0 / static_cast<double>(hop_)), b.held.load() * every(hold_));
    b.sum.fill(0.0), b.held.store(level2);
    return level2;
}

/// Phasors of the rings, from the resonators.
template <class V>
void Damp<V>::tell_apart(std::array<V, kRingBands>& re, std::array<V, kRingBands>& im) const noexcept {
    for (std::size_t i = 0; i < used_count_; ++i) {
        const auto &to_re = apart_[2 * used_[i]], &to_im = apart_[2 * used_[i] + 1];
        V r(0.0), m(0.0);
        for (std::size_t j = 0; j < used_count_; ++j) {
            const auto b = used_[j];
            const V x = bands_[b].re.load(), y = bands_[b].im.load();
            r = r + to_re[2 * b].load() * x + to_re[2 * b + 1].load() * y;
            m = m + to_im[2 * b].load() * x + to_im[2 * b + 1].load() * y;
        }
        re[i] = r, im[i] = m;
    }
}

/// The other way round: what is to be taken of each resonator, so that of each ring its part goes.
template <class V> void Damp<V>::take_apart() noexcept {
    std::array<V, kRingBands> part;
    V most(0.0); // A stroke inside the coming hop is not to be taken for ring.
    for (std::size_t i = 0; i < used_count_; ++i) {
        const V there = wet_.load() * bands_[used_[i]].there.load();
        part[i] = (every(1.0) - rings_[used_[i]].shown.load()) * there;
        most = most + rings_[used_[i]].most.load() * there;
    }
    aim(most_, most * every(kMost) + every(1e-9));
    for (std::size_t j = 0; j < used_count_; ++j) {
        const auto b = used_[j];
        V r(0.0), m(0.0);
        for (std::size_t i = 0; i < used_count_; ++i) {
            const auto& from = apart_[2 * used_[i]];
            r = r + part[i] * from[2 * b].load(), m = m + part[i] * from[2 * b + 1].load();
        }
        auto& band = bands_[b];
        aim(band.now_re, band.step_re, band.to_re, r);
        aim(band.now_im, band.step_im, band.to_im, m);
    }
}

/// `times` the power that a swell could have reached since the level was last this low.
template <class V> template <class Followed>
auto Damp<V>::rises(Followed& f, V level2, V times, V over_noise, Mask quiet) noexcept -> Mask {
    const V grown = f.rise.before2.load() * every(rise_) + every(kFloor), least = f.rise.least2.load();
    f.rise.met2.store(grown);
    const V up = select(level2 > every(kOverNarrow) * least, every(least_find_), every(least_rise_));
    const V tracked = select(level2 > least, least * up, least + (level2 - least) * every(least_fall_));
    f.rise.least2.store(larger(tracked, every(kNothing)));
    const Mask news = both(level2 > over_noise * least, level2 > f.surplus.load() * f.ring2.load());
    const Mask stroke = both(level2 > times * grown, news);
    f.rise.before2.store(select(either(stroke, quiet), larger(level2, grown), smaller(level2, grown)));
    return stroke;
}

/// The ring before anything rose, turned on as an open ring goes on.
template <class V> void Damp<V>::remember(Ring& ring, V re, V im, Mask calm) noexcept {
    const V was_re = ring.met_re.load(), was_im = ring.met_im.load();
    const V turn_re = ring.turn_re.load(), turn_im = ring.turn_im.load();
    ring.met_re.store(select(calm, re, turn_re * was_re - turn_im * was_im));
    ring.met_im.store(select(calm, im, turn_re * was_im + turn_im * was_re));
}

/// Energy of the ring and the gain that it is to have, one hop on.
template <class V> void Damp<V>::follow_ring(Ring& f, V re, V im, V level2) noexcept {
    const V one(1.0), past = since_[kBands].load(), before = f.ring2.load();
    const Mask open = past < f.window.load();
    V gain = smaller(larger(f.gain.load() * f.step.load(), every(1e-4)), every(31.0));
    V ring2 = larger(before * f.fastest.load(), smaller(level2, before * f.slowest.load()));
    V own = smaller(smaller(one, f.margin.load() * ring2 / (level2 + every(1e-30))),
                    f.own.load() + every(own_rise_));
    V settled = f.settled.load();
    settled = settled + (one - settled) * f.settle.load();
    V kept(1.0); // of the amplitude: what is not new
    if (some(open)) kept = root(one - meet(f, re, im, level2, open, gain, ring2, own, settled));
    f.gain.store(gain), f.ring2.store(ring2), f.own.store(own), f.settled.store(settled);
    const V less = smaller(one, (one - gain) / larger(settled, every(kLeastSettled))) * own;
    const V was = f.shown.load(),
            up = select(open, was + every(glide_), larger(was, every(1e-3)) * every(slew_));
    const V shown = larger(smaller(one - less, up), was - every(glide_));
    f.was.store(was), f.shown.store(shown);
    // While a band that was closed opens for a stroke, only what rang before is still to be taken.
    const V late = larger(every(0.0), one - less - shown);
    f.most.store((magnitude(less) + late * kept) * root(level2));
}

/// While a stroke comes in: what was there goes on as it was, what came with it counts from the stroke
/// on. Returns the part of the energy that is new.
template <class V>
V Damp<V>::meet(Ring& f, V re, V im, V level2, Mask open, V& gain, V& ring2, V& own, V& settled) noexcept {
    const V one(1.0), tiny = every(1e-30), step = f.step.load(), settle = f.settle.load();
    const Mask stroke = since_[kBands].load() < every(0.5);
    const V turn_re = f.turn_re.load(), turn_im = f.turn_im.load();
    const V was_re = f.old_re.load(), was_im = f.old_im.load();
    const V old_re = select(stroke, f.met_re.load(), turn_re * was_re - turn_im * was_im);
    const V old_im = select(stroke, f.met_im.load(), turn_re * was_im + turn_im * was_re);
    const V old_gain = select(stroke, gain, f.old_gain.load() * step);
    const V old_own = select(stroke, f.own.load(), f.old_own.load());
    const V credit = select(stroke, one, f.credit.load() * step);
    // A resonator that has just been struck holds only part of the ring yet: that much more of it is
    // taken. But not before the bands can tell the partials apart: at once, each would answer to all of
    // the stroke.
    V old_settled = select(stroke, f.settled.load(), f.old_settled.load());
    V new_settled = select(stroke, every(0.0), f.new_settled.load());
    old_settled = old_settled + (one - old_settled) * settle;
    new_settled = new_settled + (one - new_settled) * settle;
    const V blurred = select(stroke, one, f.blurred.load() * f.sharpen.load());
    const V told = smaller(one, new_settled + blurred);

    const V diff_re = re - old_re, diff_im = im - old_im;
    const V diff2 = diff_re * diff_re + diff_im * diff_im, old2 = old_re * old_re + old_im * old_im;
    // How much of the difference is news: a ring is foreseen well, noise not at all.
    const V noise2 = select(stroke, every(0.2 * kOverNarrow) * f.rise.least2.load(), f.noise2.load());
    const V sure = larger(every(0.0), one - (every(kUnsure2) * old2 + noise2) / (diff2 + tiny));
    const V new_re = sure * diff_re, new_im = sure * diff_im, rest_re = re - new_re, rest_im = im - new_im;
    const V along_new = new_re * re + new_im * im, along_rest = rest_re * re + rest_im * im;
    const V new2 = sure * sure * diff2, rest2 = rest_re * rest_re + rest_im * rest_im;
    const V part = new2 / (new2 + rest2 + tiny), steady = every(kSteady) * (new2 + rest2);
    const V by_energy = old_gain + (credit - old_gain) * part;
    const V left =
        (old_gain * along_rest + credit * along_new + by_energy * steady) / (level2 + steady + tiny);
    gain = select(open, larger(every(1e-4), smaller(left, larger(old_gain, credit))), gain);
    own = select(open, old_own + (one - old_own) * part, own);
    ring2 = select(open, larger(ring2, own * level2), ring2);
    settled = select(open, old_settled + (told - old_settled) * part, settled);
    f.old_re.store(old_re), f.old_im.store(old_im), f.old_gain.store(old_gain), f.old_own.store(old_own);
    f.credit.store(credit), f.noise2.store(noise2), f.blurred.store(blurred);
    f.old_settled.store(old_settled), f.new_settled.store(new_settled);
    return select(open, part, every(0.0));
}

/// Energy of the ring and gain of the top or of everything, one hop on. Returns the gain.
template <class V> V Damp<V>::follow_level(Broad& f, V level2) noexcept {
    const V one(1.0), before = f.ring2.load();
    const Mask open = since_[kBroad].load() < f.window.load();
    V gain2 = smaller(larger(f.gain2.load() * f.step.load(), every(1e-8)), every(1e3));
    V ring2 = larger(before * f.fastest.load(), smaller(level2, before * f.slowest.load()));
    V new_own(0.0);
    if (some(open)) new_own = meet(f, level2, open, gain2, ring2);
    f.ring2.store(ring2), f.gain2.store(gain2);

    const V now = smaller(one, f.margin.load() * ring2 / (level2 + every(1e-30)));
    const V own = select(open, new_own, smaller(now, f.own.load() + every(own_rise_)));
    f.own.store(own);
    const V goal = root(one - (one - gain2) * own), was = f.shown.load();
    const V gain = smaller(goal, select(open, one, larger(was, every(1e-3)) * every(slew_)));
    f.shown.store(gain);
    return gain;
}

/// While a stroke comes in, by energies: what was there goes on, what came with it counts from the
/// stroke on. Returns the part of all there is that is ring.
template <class V> V Damp<V>::meet(Broad& f, V level2, Mask open, V& gain2, V& ring2) noexcept {
    const V one(1.0), step = f.step.load();
    const Mask stroke = since_[kBroad].load() < every(0.5);
    const V old2 = select(stroke, larger(ring2, f.rise.met2.load()), f.old2.load() * f.slowest.load());
    const V old_gain2 = select(stroke, gain2, f.old_gain2.load() * step);
    const V credit2 = select(stroke, one, f.credit2.load() * step);
    const V old_own = select(stroke, f.own.load(), f.old_own.load());
    // Ripple and beats are no news: a rise of less than 1.7 dB counts for nothing, one of 10 dB for what
    // it is.
    const V kept = old2 / (level2 + every(1e-30));
    const V old_part = smaller(select(stroke, one, f.old_part.load()),
                               smaller(f.surplus.load() * kept * (one + kept * kept), every(kSudden) * kept));
    // Of what was there, only the ring's own part is damped; noise that a stroke rises from is not.
    const V old_ring = old_own * old_part, new_own = old_ring + (one - old_part);
    gain2 = select(
        open, (old_gain2 * old_ring + credit2 * (one - old_part) + every(1e-30)) / (new_own + every(1e-30)),
        gain2);
    const V old_ring2 = select(stroke, ring2, f.old_ring2.load() * f.slowest.load());
    ring2 = select(open, larger(ring2, smaller(level2, old_ring2 + (one - old_part) * level2)), ring2);
    f.old_ring2.store(old_ring2), f.old2.store(old2), f.old_gain2.store(old_gain2);
    f.credit2.store(credit2), f.old_part.store(old_part), f.old_own.store(old_own);
    return new_own;
}

/// From where the last line was to end, not from where rounding left it, to `next` in one hop.
template <class V> void Damp<V>::aim(PerLane<V>& now, PerLane<V>& step, PerLane<V>& to, V next) noexcept {
    const V from = to.load();
    now.store(from), step.store((next - from) * every(1.0 / static_cast<double>(hop_))), to.store(next);
}

} // namespace kitfold::dsp
