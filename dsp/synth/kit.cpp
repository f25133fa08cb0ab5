#include "synth/kit.h"
#include <cmath>
#include <numbers>

namespace kitfold::dsp {

namespace {

constexpr double kPi = std::numbers::pi, kHalfPi = 0.5 * kPi;
constexpr double kNearLows = 2.0 * kPi * 60.0; // rad/s: below it the lows of what is near rise no further

/// How a head is tuned, damped and struck.
struct HeadPlan {
    double hz;           ///< mode (0,1)
    double open_ring_ms; ///< its T60 with the head as it came
    double dead_ring_ms; ///< with a blanket on
    double air_loading;
    double contact_ms;
    double glide, glide_ms;
    double click_low_hz, click_high_hz, click_level, click_ring_ms;
};

constexpr std::size_t kHeadModes = 8, kRichHeadModes = 16, kClickModes = 12;

double raised_alpha(const HeadPlan& plan, double ratio) { // blankets take the top first
    return (alpha_from_ring_ms(plan.dead_ring_ms) - alpha_from_ring_ms(plan.open_ring_ms)) * std::sqrt(ratio);
}

/// Modes with nodal diameters come in pairs, turned against each other and a little apart, as no head is
/// even.
void add_head_mode(SignalModel& signal, const HeadPlan& plan, const MembraneMode& head, bool rich,
                   Random& random) {
    const double ratio = air_loaded_ratio(head, plan.air_loading);
    const double hz = plan.hz * ratio * (1.0 + (head.zero > 2.5 ? 0.006 : 0.0) * random.normal());
    const double alpha = alpha_from_ring_ms(plan.open_ring_ms) * std::pow(ratio, rich ? 0.15 : 0.6);
    const double weight = rich ? 1.3 : std::pow(0.75, head.m) * std::pow(0.7, head.n - 1);
    const double apart = head.m == 0 ? 0.0 : random.uniform(0.002, 0.005);
    for (int twin = 0; twin < (head.m == 0 ? 1 : 2); ++twin) {
        VoicedMode mode;
        mode.mode = {hz * (1.0 + (twin == 0 ? -0.5 : 0.5) * apart), alpha};
        mode.weight = weight;
        mode.head = head;
        mode.turned = twin == 0 ? 0.0 : kHalfPi / head.m;
        mode.delta_alpha = raised_alpha(plan, ratio);
        signal.modes.push_back(mode);
    }
}

void add_clicks(SignalModel& signal, const HeadPlan& plan, double level, Random& random) {
    const double octaves = std::log2(plan.click_high_hz / plan.click_low_hz);
    for (std::size_t i = 0; i < kClickModes; ++i) {
        const double place = (static_cast<double>(i) + random.uniform()) / kClickModes;
        VoicedMode mode;
        mode.mode = {plan.click_low_hz * std::exp2(octaves * place),
                     alpha_from_ring_ms(plan.click_ring_ms * (1.2 - 0.7 * place))};
        mode.weight = level;
        signal.modes.push_back(mode);
    }
}

SignalModel head(const HeadPlan& plan, const SimulatorOptions& options, Random& random) {
    const bool rich = options.traps.mode_rich;
    SignalModel signal;
    signal.pushed = options.lifelike;
    signal.contact_ms = plan.contact_ms, signal.glide = plan.glide, signal.glide_ms = plan.glide_ms;
    signal.bite = 1.25;
    for (const auto& mode : ideal_membrane(rich ? kRichHeadModes : kHeadModes))
        add_head_mode(signal, plan, mode, rich, random);
    add_clicks(signal, plan, plan.click_level, random);
    return signal;
}

constexpr double kAirPushes = 2.5; ///< longer than the stick: the air between the heads builds up

bool turns_over(const SimulatorOptions& options) { return options.traps.opposite_heads || options.lifelike; }

/// The far head moves with the struck one through the air between them: the same low modes, less of
/// everything high. As trap it starts the other way round, and its long modes then agree.
SignalModel far_head(const SignalModel& struck, double high_level, bool turns_over) {
    SignalModel signal = struck;
    for (auto& mode : signal.modes) {
        if (!mode.head)
            mode.weight *= high_level;
        else if (mode.head->n > 1 || mode.head->m > 1)
            mode.weight *= 0.6;
        if (turns_over && mode.head && mode.head->zero < 4.0)
            mode.weight = -mode.weight;
        else if (turns_over)
            mode.weight *= 2.5;
    }
    if (signal.pushed) signal.contact_ms *= kAirPushes;
    return signal;
}

void scale(SignalModel& signal, double gain) {
    for (auto& mode : signal.modes) mode.weight *= gain;
    signal.noise.level *= gain;
}

/// Blankets on a drum: its modes as planned, and what rattles with the head as its lowest mode.
void deaden(KitDrum& drum) {
    const double lowest = drum.signals[0].modes[0].delta_alpha;
    for (auto& signal : drum.signals) {
        for (auto& mode : signal.modes) mode.mode.alpha += mode.delta_alpha;
        signal.noise.delta_alpha = lowest;
    }
}

struct CymbalPlan {
    double low_hz, high_hz;
    std::size_t modes;
    double low_ring_ms, high_ring_ms;
    double level; ///< RMS of the modes that ring, right after a full stroke
    double closed_damping;
    double ping_hz, ping_level, ping_ring_ms; ///< what the stick alone says, RMS: brief modes round ping_hz
};

constexpr std::size_t kPingModes = 48;

void add_modes(SignalModel& signal, std::vector<VoicedMode> modes, double level) {
    double power = 0.0;
    for (const auto& mode : modes) power += 0.5 * mode.weight * mode.weight;
    for (auto& mode : modes) {
        mode.weight *= level / std::sqrt(power);
        signal.modes.push_back(mode);
    }
}

VoicedMode plate_mode(double hz, double ring_ms, Random& random) {
    VoicedMode mode;
    mode.mode = {hz, alpha_from_ring_ms(ring_ms * random.uniform(0.7, 1.3))};
    mode.weight = std::abs(random.normal());
    return mode;
}

SignalModel cymbal(const CymbalPlan& plan, const VoicedNoise& wash, Random& random) {
    SignalModel signal;
    signal.dense = true, signal.closed_damping = plan.closed_damping, signal.bite = 1.1, signal.noise = wash;
    std::vector<VoicedMode> ringing, ping;
    for (std::size_t i = 0; i < plan.modes; ++i) { // a little denser below
        const double place =
            std::pow((static_cast<double>(i) + random.uniform()) / static_cast<double>(plan.modes), 1.4);
        const double ring_ms = plan.low_ring_ms * std::pow(plan.high_ring_ms / plan.low_ring_ms, place);
        ringing.push_back(plate_mode(plan.low_hz + (plan.high_hz - plan.low_hz) * place, ring_ms, random));
    }
    for (std::size_t i = 0; i < kPingModes; ++i) {
        const double place = (static_cast<double>(i) + random.uniform()) / kPingModes;
        ping.push_back(plate_mode(plan.ping_hz * std::exp2(2.0 * place - 0.8), plan.ping_ring_ms, random));
    }
    add_modes(signal, std::move(ringing), plan.level);
    add_modes(signal, std::move(ping), plan.ping_level);
    return signal;
}

Position nudged(Position p, double by_m, Random& random) {
    return {p.x + by_m * random.uniform(-1.0, 1.0), p.y + by_m * random.uniform(-1.0, 1.0),
            p.z + by_m * random.uniform(-1.0, 1.0)};
}

KitDrum kick(const SimulatorOptions& options, Random& random) {
    constexpr double kDepth = 0.45;
    const HeadPlan plan{
        55.0 * random.uniform(0.96, 1.04), 560.0, 230.0, 0.5, 2.5, 0.10, 28.0, 900.0, 5'500.0, 0.055, 26.0};
    KitDrum d{Drum::kick, {0.10, 0.42, 0.28}, {}, {}};
    d.signals.push_back(head(plan, options, random));
    d.signals.push_back(far_head(d.signals[0], 0.12, turns_over(options)));
    // Inside, the struck head pushes; outside, both heads are heard from their other side.
    d.radiators.push_back({{0, 1.0, d.position, {0, 1, 0}, 1.0, 0.0}, Heard::inside_kick});
    d.radiators.push_back({{0, -0.5, d.position, {0, -1, 0}, 0.5, 0.0}, Heard::outside_kick});
    d.radiators.push_back(
        {{1, -1.0, d.position + Position{0, kDepth, 0}, {0, 1, 0}, 0.5, kDepth}, Heard::outside_kick});
    return d;
}

KitDrum snare(const SimulatorOptions& options, Random& random) {
    constexpr double kDepth = 0.14;
    const HeadPlan plan{
        187.0 * random.uniform(0.96, 1.04), 380.0, 170.0, 0.3, 0.7, 0.035, 35.0, 900.0, 9'000.0, 0.10, 22.0};
    KitDrum d{Drum::snare, nudged({-0.12, 0.10, 0.64}, 0.015, random), {}, {}};
    d.signals.push_back(head(plan, options, random));
    d.signals.push_back(far_head(d.signals[0], 0.3, turns_over(options)));
    SignalModel wires;
    wires.noise = {1'300.0, 9'500.0, 1.2, 48.0, 48.0, 0.16, 1.1};
    d.signals.push_back(wires);
    const Position below = d.position - Position{0, 0, kDepth};
    d.radiators.push_back({{0, 1.0, d.position, {0, 0, 1}, 0.45, 0.0}, Heard::everywhere});
    d.radiators.push_back({{1, -0.8, below, {0, 0, -1}, 0.45, kDepth}, Heard::everywhere});
    d.radiators.push_back({{2, 1.0, below, {0, 0, -1}, 0.8, kDepth}, Heard::everywhere});
    for (auto& s : d.signals) scale(s, 0.6);
    return d;
}

KitDrum tom(Drum drum, Position position, const HeadPlan& plan, const SimulatorOptions& options,
            Random& random) {
    KitDrum d{drum, nudged(position, 0.015, random), {}, {}};
    d.signals.push_back(head(plan, options, random));
    const Position normal = drum == Drum::rack_tom ? unit({0.0, -0.35, 1.0}) : Position{0, 0, 1};
    d.radiators.push_back({{0, 1.0, d.position, normal, 0.65, 0.0}, Heard::everywhere});
    if (turns_over(options)) {
        d.signals.push_back(far_head(d.signals[0], 0.3, true));
        d.radiators.push_back(
            {{1, -0.7, d.position - 0.3 * normal, -1.0 * normal, 0.65, 0.3}, Heard::everywhere});
    }
    for (auto& s : d.signals) scale(s, 0.85);
    return d;
}

KitDrum plate(Drum drum, Position position, const CymbalPlan& plan, const VoicedNoise& wash, Random& random) {
    KitDrum d{drum, nudged(position, 0.02, random), {}, {}};
    d.signals.push_back(cymbal(plan, wash, random));
    d.radiators.push_back({{0, 1.0, d.position, {0, 0, 1}, 1.0, 0.0}, Heard::everywhere});
    return d;
}

Position aim(Position from, Position at) { return unit(at - from); }

void put_up(std::vector<SimulatedMic>& mics, const char* name, Role role, Position position, Position axis,
            double pattern) {
    SimulatedMic mic;
    mic.name = name, mic.role = role, mic.position = position, mic.axis = axis, mic.pattern = pattern;
    mics.push_back(mic);
}

void put_up_overheads(std::vector<SimulatedMic>& mics, bool spaced) {
    const double down = std::numbers::sqrt2 / 2.0;
    const Position over{-0.04, 0.22, 1.72}, apart{0.55, 0.0, 0.0};
    put_up(mics, "Overhead left", Role::overhead_left, spaced ? over - apart : over,
           spaced ? Position{0, 0, -1} : Position{-down, 0, -down}, 0.5);
    put_up(mics, "Overhead right", Role::overhead_right, spaced ? over + apart : over,
           spaced ? Position{0, 0, -1} : Position{down, 0, -down}, 0.5);
}

void spring_traps(std::vector<SimulatedMic>& mics, const SimulatorOptions& options) {
    Random random(stream_seed(options.seed, 5));
    for (auto& mic : mics) {
        const bool flip = random.chance(0.5);
        mic.flipped =
            (options.traps.flipped_mics && flip) || (options.turned_cable && mic.role == Role::kick_out);
        mic.late_ms = options.traps.extra_delay_ms * random.uniform();
        mic.noise_dbfs += options.extra_noise_db;
    }
}

} // namespace

std::vector<KitDrum> build_drums(const SimulatorOptions& options) {
    Random random(stream_seed(options.seed, 4));
    std::vector<KitDrum> kit;
    kit.push_back(kick(options, random));
    kit.push_back(snare(options, random));
    kit.push_back(tom(
        Drum::rack_tom, {0.04, 0.52, 0.80},
        {124.0 * random.uniform(0.96, 1.04), 840.0, 260.0, 0.35, 1.1, 0.06, 50.0, 900.0, 6'000.0, 0.03, 20.0},
        options, random));
    kit.push_back(tom(
        Drum::floor_tom, {0.50, 0.12, 0.60},
        {82.0 * random.uniform(0.96, 1.04), 980.0, 300.0, 0.4, 1.4, 0.06, 60.0, 800.0, 5'000.0, 0.03, 20.0},
        options, random));
    kit.push_back(plate(Drum::hihat, {-0.52, 0.28, 0.90},
                        {380.0, 17'000.0, 320, 900.0, 500.0, 0.06, 6.0, 6'500.0, 0.08, 60.0},
                        {4'800.0, 15'000.0, 0.4, 24.0, 230.0, 0.15, 1.2}, random));
    kit.push_back(plate(Drum::ride, {0.58, 0.58, 0.98},
                        {320.0, 16'000.0, 320, 4'200.0, 1'300.0, 0.04, 1.0, 3'800.0, 0.12, 90.0},
                        {3'500.0, 12'000.0, 0.5, 90.0, 90.0, 0.05, 1.3}, random));
    kit.push_back(plate(Drum::cymbals, {-0.34, 0.70, 1.18},
                        {260.0, 16'000.0, 352, 3'400.0, 1'300.0, 0.14, 1.0, 3'000.0, 0.12, 120.0},
                        {2'500.0, 13'000.0, 9.0, 420.0, 420.0, 0.45, 1.3}, random));
    if (options.tone == Tone::deadened)
        for (auto& drum : kit)
            if (drum.signals[0].modes[0].head) deaden(drum); // nobody hangs blankets on cymbals
    return kit;
}

std::vector<SimulatedMic> build_mics(const SimulatorOptions& options) {
    const Position over_snare{-0.12, 0.25, 0.70}, under_snare{-0.12, 0.20, 0.39};
    const Position over_rack{0.12, 0.64, 0.89}, over_floor{0.60, 0.25, 0.70}, by_hat{-0.44, 0.24, 1.01};
    std::vector<SimulatedMic> mics;
    put_up(mics, "Kick in", Role::kick_in, {0.15, 0.42 + std::sqrt(0.15 * 0.15 - 0.05 * 0.05), 0.28},
           {0, -1, 0}, 0.5);
    put_up(mics, "Kick out", Role::kick_out, {0.16, 1.12, 0.30}, {0, -1, 0}, 0.5);
    put_up(mics, "Snare top", Role::snare_top, over_snare, aim(over_snare, {-0.12, 0.10, 0.64}), 0.5);
    put_up(mics, "Snare bottom", Role::snare_bottom, under_snare, aim(under_snare, {-0.12, 0.10, 0.50}), 0.5);
    put_up(mics, "Rack tom", Role::rack_tom, over_rack, aim(over_rack, {0.04, 0.52, 0.80}), 0.5);
    put_up(mics, "Floor tom", Role::floor_tom, over_floor, aim(over_floor, {0.50, 0.12, 0.60}), 0.5);
    if (options.mics == 10)
        put_up(mics, "Hi-hat", Role::hihat, by_hat, aim(by_hat, {-0.66, 0.34, 0.90}), 0.4);
    put_up_overheads(mics, options.traps.spaced_overheads);
    if (options.mics == 10) put_up(mics, "Room", Role::room_mono, {0.45, 2.35, 1.15}, {0, -1, 0}, 1.0);
    spring_traps(mics, options);
    return mics;
}

Room build_room(const SimulatorOptions& options) {
    Room room;
    if (options.lifelike) room.left = room.right = room.front = 0.75, room.ceiling = 0.7, room.floor = 0.8;
    if (options.traps.hot_room) {
        room.left = room.right = 0.85, room.back = room.front = 0.85, room.floor = 0.85, room.ceiling = 0.8;
        room.most_walls = 9;
    }
    return room;
}

double openness(const SimulatedMic& mic, const KitRadiator& radiator) noexcept {
    const bool inside = mic.role == Role::kick_in;
    if (radiator.heard == Heard::inside_kick) return inside ? 1.0 : 0.0;
    if (radiator.heard == Heard::outside_kick) return inside ? 0.0 : 1.0;
    return inside ? 0.35 : 1.0; // the shell keeps the rest of the kit out
}

std::vector<Arrival> straight_arrivals(const KitDrum& drum, const SimulatedMic& mic, double speed_of_sound) {
    std::vector<Arrival> out;
    for (const auto& r : drum.radiators) {
        Arrival a = direct_arrival(r.radiator, mic, speed_of_sound);
        if (drum.signals[r.radiator.signal].modes.empty()) continue; // wires: noise has no polarity
        a.gain *= openness(mic, r);
        out.push_back(a);
    }
    return out;
}

std::vector<Arrival> forerunners(const Arrival& straight, const KitRadiator& radiator,
                                 double speed_of_sound) {
    // Solids carry sound five to fifteen times as fast as air; what arrives is some 30 dB down (common
    // practice, no source). Through the shell the far side begins with the struck head.
    constexpr double kThroughStands = 0.025, kThroughShell = 0.05, kFaster = 0.2;
    std::vector<Arrival> out{{kFaster * straight.delay_s, kThroughStands * straight.gain, 0}};
    const double inside_s = radiator.radiator.behind_m / speed_of_sound;
    if (inside_s > 0.0)
        out.push_back({straight.delay_s - (1.0 - kFaster) * inside_s, kThroughShell * straight.gain, 0});
    return out;
}

MicResponse::MicResponse(const SimulatedMic& mic, double distance_m, double speed_of_sound,
                         std::uint64_t seed) {
    Random random(stream_seed(seed, 200 + static_cast<std::uint64_t>(mic.role)));
    corner_ = 2.0 * kPi * random.uniform(25.0, 60.0);
    presence_ = 2.0 * kPi * random.uniform(3'000.0, 6'500.0);
    lift_ = std::pow(10.0, random.uniform(2.0, 6.0) / 40.0);
    // A gradient mic hears 1 + c / (s d) of a point source's pressure (Olson's gradient microphone, from
    // memory), as much of it as the pattern is gradient; a shelf, so that the lowest lows stay finite.
    near_ = std::max(kNearLows, (1.0 - mic.pattern) * speed_of_sound / std::max(distance_m, 0.05));
}

std::complex<double> MicResponse::at(double hz) const noexcept {
    const std::complex<double> s{0.0, 2.0 * kPi * hz};
    const auto low_cut = s * s / (s * s + std::numbers::sqrt2 * corner_ * s + corner_ * corner_);
    // Bristow-Johnson, Audio EQ Cookbook: the bell's analogue prototype, Q 1.
    const auto bell = (s * s + lift_ * presence_ * s + presence_ * presence_) /
                      (s * s + presence_ / lift_ * s + presence_ * presence_);
    return low_cut * bell * (s + near_) / (s + kNearLows);
}

std::vector<Arrival> shell_arrivals(const Arrival& straight, const SimulatedMic& mic, std::uint64_t seed) {
    Random random(stream_seed(seed, 100 + static_cast<std::uint64_t>(mic.role)));
    const double loudest = mic.role == Role::kick_out ? 1.4 : 0.7; // the boomy one is led by its reflections
    std::vector<Arrival> out;
    for (int i = 0; i < 5; ++i) {
        const double later_s = 1e-3 * (0.4 + 0.4 * (i + random.uniform()));
        const double sign = random.chance(0.35) ? -1.0 : 1.0;
        out.push_back({straight.delay_s + later_s, sign * straight.gain * loudest * std::pow(0.8, i), 0});
    }
    return out;
}

} // namespace kitfold::dsp
