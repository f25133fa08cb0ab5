#include "settings/parameters.h"
#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <set>

using namespace kitfold::dsp;

namespace {

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
constexpr double kInfinity = std::numeric_limits<double>::infinity();

template <class Settings> void append(std::vector<const Parameter*>& out) {
    for (const auto& field : fields<Settings>()) out.push_back(&field.parameter);
}

std::vector<const Parameter*> every_parameter() {
    std::vector<const Parameter*> out;
    append<MicSettings>(out), append<KickSettings>(out), append<GateSettings>(out), append<BusSettings>(out);
    append<SumSettings>(out), append<DampSettings>(out), append<RingBand>(out), append<OutputSettings>(out);
    append<RoomSettings>(out), append<OfflineSettings>(out), append<BalanceSettings>(out);
    return out;
}

bool continuous(const Parameter& p) { return p.scale == Scale::linear || p.scale == Scale::octaves; }
bool has_special(const Parameter& p) { return p.special.end != Special::End::none; }

/// Ends and points between, each choice, the special value.
std::vector<double> values_of(const Parameter& p) {
    std::vector<double> out;
    if (p.scale == Scale::on_off) return {0.0, 1.0};
    for (const auto& choice : p.choices) out.push_back(choice.value);
    if (continuous(p))
        for (int i = 0; i <= 16; ++i) out.push_back(p.min + (p.max - p.min) * i / 16.0);
    if (has_special(p)) out.push_back(p.special.value);
    return out;
}

/// How far a shown value may be from the value: half of the last digit.
double shown_step(const Parameter& p, double value) {
    if (p.key == "pan") return 0.005;
    if (p.unit == "Hz" && value >= 1000.0) return 5.0; // kHz with two decimals
    return 0.5 * std::pow(10.0, -p.decimals);
}

const Parameter& named(std::string_view key,
                       std::span<const Field<GateSettings>> all = fields<GateSettings>()) {
    for (const auto& field : all)
        if (field.parameter.key == key) return field.parameter;
    throw std::runtime_error("no such parameter");
}

template <class Settings> const Parameter& of(std::string_view key) {
    for (const auto& field : fields<Settings>())
        if (field.parameter.key == key) return field.parameter;
    throw std::runtime_error("no such parameter");
}

template <class Settings> void check_table() {
    std::set<std::string_view> keys;
    for (const auto& field : fields<Settings>()) {
        const auto& p = field.parameter;
        INFO(p.key);
        CHECK(keys.insert(p.key).second);
        CHECK(allowed(p, p.fallback));
        CHECK(field.of(Settings{}) == p.fallback); // the struct and the table say the same
        CHECK_FALSE(p.name.empty());
        CHECK(p.help.size() > 10);
        CHECK(p.help.find('\n') == std::string_view::npos);
        CHECK(p.min < p.max);
        if (p.scale == Scale::octaves) CHECK(p.min > 0.0);
        if (p.scale == Scale::choice) CHECK(p.choices.size() > 1);
    }
    CHECK(first_refused(Settings{}) == nullptr);
}

} // namespace

TEMPLATE_TEST_CASE("the table of a block is whole and its defaults are the struct's", "[parameters]",
                   MicSettings, KickSettings, GateSettings, BusSettings, SumSettings, DampSettings, RingBand,
                   OutputSettings, RoomSettings, OfflineSettings, BalanceSettings) {
    check_table<TestType>();
}

TEST_CASE("nothing outside a range is allowed, and never NaN", "[parameters]") {
    for (const auto* p : every_parameter()) {
        INFO(p->key);
        CHECK_FALSE(allowed(*p, kNan));
        if (continuous(*p)) {
            CHECK((allowed(*p, p->min) && allowed(*p, p->max)));
            if (p->min != 0.0) CHECK_FALSE(allowed(*p, std::nextafter(p->min, -kInfinity)));
            CHECK_FALSE(allowed(*p, std::nextafter(p->max, kInfinity)));
        }
        for (const double infinity : {kInfinity, -kInfinity})
            CHECK(allowed(*p, infinity) == (has_special(*p) && p->special.value == infinity));
        if (p->scale == Scale::choice) CHECK_FALSE(allowed(*p, p->choices[0].value + 0.25));
    }
}

TEST_CASE("a value, its text and back", "[parameters]") {
    for (const auto* p : every_parameter())
        for (const double value : values_of(*p)) {
            const auto shown = text(*p, value);
            const auto back = parse_text(*p, shown);
            INFO(p->key << " " << value << " is shown as " << shown);
            REQUIRE(back);
            if (continuous(*p) && !(has_special(*p) && value == p->special.value))
                CHECK(std::abs(*back - value) <= shown_step(*p, value) * 1.000001);
            else
                CHECK(*back == value);
        }
}

TEST_CASE("a value, its position and back", "[parameters]") {
    for (const auto* p : every_parameter()) {
        double previous = -1.0;
        for (const double value : values_of(*p)) {
            INFO(p->key << " " << value);
            const double position = to_position(*p, value), back = from_position(*p, position);
            CHECK((position >= 0.0 && position <= 1.0));
            if (value == back) continue; // the infinite ones have no difference
            CHECK(std::abs(back - value) <= 1e-9 * (p->max - p->min));
        }
        for (int i = 0; i <= 1000;
             ++i) { // every position of the control gives an allowed value, and in order
            const double value = from_position(*p, i / 1000.0);
            INFO(p->key << " at " << i / 1000.0 << ": " << value);
            CHECK(allowed(*p, value));
            const bool special = has_special(*p) && value == p->special.value;
            const double position = to_position(*p, value);
            CHECK(position >= previous - 1e-12);
            if (!special && continuous(*p)) CHECK((value >= p->min && value <= p->max));
            previous = position;
        }
    }
}

TEST_CASE("ends and nonsense of a control", "[parameters]") {
    for (const auto* p : every_parameter()) {
        INFO(p->key);
        CHECK(to_position(*p, kNan) == 0.0);
        for (const double odd : {kNan, -1.0, 2.0, kInfinity, -kInfinity})
            CHECK(allowed(*p, from_position(*p, odd)));
        if (has_special(*p))
            CHECK(from_position(*p, p->special.end == Special::End::below ? 0.0 : 1.0) == p->special.value);
    }
    const auto& threshold = named("threshold_db");
    CHECK(from_position(threshold, 0.0) == -90.0);
    CHECK(from_position(threshold, 1.0) == 0.0);
    CHECK(from_position(threshold, 0.5) == Approx(-45.0).epsilon(0).margin(1e-12));
    const auto& shelf =
        of<KickSettings>("shelf_hz"); // equal ratios are equal steps: the middle is the geometric mean
    CHECK(from_position(shelf, 0.5) == Approx(std::sqrt(30.0 * 400.0)).epsilon(0).margin(1e-9));
}

TEST_CASE("values as people read and type them", "[parameters]") {
    const auto& threshold = named("threshold_db");
    CHECK(text(threshold, -18.0) == "-18.0 dB");
    CHECK(text(threshold, -0.01) == "0.0 dB");
    CHECK(parse_text(threshold, " -18 DB ") == -18.0);
    CHECK(parse_text(threshold, "-18") == -18.0);
    for (const auto* bad : {"", "loud", "-18 ms", "12", "-91", "nan", "inf", "-inf", "--3", "1e999"})
        CHECK_FALSE(parse_text(threshold, bad));

    CHECK(text(named("range_db"), kOffDb) == "-inf dB");
    CHECK(parse_text(named("range_db"), "-INF") == kOffDb);
    CHECK(text(named("key_low_pass_hz"), kFilterOff) == "off");
    CHECK(parse_text(named("key_low_pass_hz"), "1.2k") == 1200.0);
    CHECK(parse_text(named("key_low_pass_hz"), "1.2 kHz") == 1200.0);
    CHECK(parse_text(named("key"), "Side-Chain") == 1.0);
    CHECK(parse_text(named("key_listen"), "On") == 1.0);

    CHECK(text(of<KickSettings>("bleed_cut_hz"), 20000.0) == "20 kHz");
    CHECK(text(of<KickSettings>("bleed_cut_hz"), 1200.0) == "1.2 kHz");
    CHECK(text(of<KickSettings>("bleed_cut_hz"), 1234.0) == "1.23 kHz");
    CHECK(text(of<KickSettings>("bleed_cut_hz"), 1999.0) == "2 kHz");
    CHECK(text(of<KickSettings>("high_pass_slope"), 24.0) == "24 dB/oct");
    CHECK(parse_text(of<KickSettings>("high_pass_slope"), "off") == 0.0);
    CHECK_FALSE(parse_text(of<KickSettings>("high_pass_slope"), "20"));
    CHECK(text(of<BusSettings>("ratio"), 4.0) == "4.0:1");
    CHECK(parse_text(of<BusSettings>("ratio"), "limit") == kLimitRatio);
    CHECK(parse_text(of<BusSettings>("ratio"), "4:1") == 4.0);
    CHECK(parse_text(of<BusSettings>("release_ms"), "Programme") == kProgrammeRelease);
    CHECK_FALSE(parse_text(of<BusSettings>("release_ms"), "0 ms")); // not a time
    CHECK(text(of<MicSettings>("pan"), 0.0) == "C");
    CHECK(text(of<MicSettings>("pan"), -0.3) == "L 30");
    CHECK(parse_text(of<MicSettings>("pan"), "r 45") == 0.45);
    CHECK(parse_text(of<MicSettings>("pan"), "centre") == 0.0);
    CHECK_FALSE(parse_text(of<MicSettings>("pan"), "l 101"));
    CHECK(text(of<MicSettings>("polarity"), 1.0) == "inverted");
}

TEST_CASE("what would be right", "[parameters]") {
    CHECK(what_is_allowed(named("threshold_db")) == "a number from -90 to 0 (dB)");
    CHECK(what_is_allowed(named("range_db")) == "a number from -90 to 0 (dB) or \"-inf\"");
    CHECK(what_is_allowed(named("key_low_pass_hz")) == "a number from 200 to 20000 (Hz) or 0 (off)");
    CHECK(what_is_allowed(of<KickSettings>("high_pass_slope")) == "one of 0, 6, 12, 18, 24");
    CHECK(what_is_allowed(of<MicSettings>("polarity")) == "one of \"normal\", \"inverted\"");
    CHECK(what_is_allowed(of<MicSettings>("mute")) == "true or false");
}

TEST_CASE("the first refused setting is named, in a band too", "[parameters]") {
    GateSettings gate;
    gate.hold_ms = -1.0, gate.range_db = kNan;
    REQUIRE(first_refused(gate) != nullptr);
    CHECK(first_refused(gate)->key == "hold_ms");
    DampSettings damp;
    damp.bands[1].q = 1000.0;
    CHECK(first_refused(damp) == nullptr); // not one of the band_count bands
    damp.band_count = 2;
    REQUIRE(first_refused(damp) != nullptr);
    CHECK(first_refused(damp)->key == "q");
}

TEST_CASE("roles and their tokens", "[parameters]") {
    for (std::size_t i = 0; i < kRoleCount; ++i) {
        const auto role = static_cast<Role>(i);
        CHECK(role_from_token(token(role)) == role);
    }
    CHECK(token(Role::floor_tom_2) == "floor_tom_2");
    CHECK_FALSE(role_from_token("Kick In"));
}
