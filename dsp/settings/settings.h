#pragma once
// The settings of every block. Units are in the names; ranges, defaults and one-line helps
// are in parameters.h. JSON keys, plug-in parameter IDs and these members are spelt alike.
#include <array>
#include <cstddef>
#include <limits>

namespace kitfold::dsp {

inline constexpr double kOffDb = -std::numeric_limits<double>::infinity(); ///< "-inf" dB: a gain of exactly 0
inline constexpr double kLimitRatio = std::numeric_limits<double>::infinity(); ///< compressor ratio "limit"
inline constexpr double kProgrammeRelease = 0.0;                               ///< release_ms "programme"
inline constexpr double kFilterOff = 0.0; ///< a key filter's hz when it is off

enum class Role {
    kick_in,
    kick_out,
    snare_top,
    snare_bottom,
    rack_tom,
    rack_tom_2,
    floor_tom,
    floor_tom_2,
    hihat,
    ride,
    overhead_left,
    overhead_right,
    overhead_mono,
    room_left,
    room_right,
    room_mono,
    other
};
inline constexpr std::size_t kRoleCount = 17;

enum class GateKey { own, side_chain, kit };
enum class Polarity { normal, inverted };
enum class Slope { off = 0, db_6 = 6, db_12 = 12, db_18 = 18, db_24 = 24 }; ///< dB per octave
/// Level of a centred mic in each channel; the values are tenths of a dB.
enum class PanLaw { db_0 = 0, db_3 = -30, db_4_5 = -45, db_6 = -60 };
enum class Tail { open, deadened };
enum class Side { drummer, listener }; ///< from where left and right are seen

/// A table, parameters.h, names, checks, stores and shows all members alike, as numbers: see
/// number_of().
struct MicSettings {
    double level_db = 0.0;
    double pan = 0.0;
    Polarity polarity = Polarity::normal;
    double delay_ms = 0.0;
    bool mute = false;
    bool solo = false;
    Role role = Role::other;
    bool operator==(const MicSettings&) const = default;
};

/// What only a bounce can do to a mic, because it has the whole take in hand.
struct OfflineSettings {
    double bleed_reduction_db = 0.0; ///< by which bleed may be taken down; 0 is off
    bool operator==(const OfflineSettings&) const = default;
};

struct KickSettings {
    double high_pass_hz = 35.0;
    Slope high_pass_slope = Slope::db_24;
    double shelf_hz = 80.0;
    double shelf_db = 6.0;
    double shelf_slope = 0.7;
    double box_hz = 400.0;
    double box_db = 0.0;
    double box_q = 1.0;
    double bleed_cut_hz = 20'000.0;
    Slope bleed_cut_slope = Slope::off;
    double level_db = 0.0;
    bool operator==(const KickSettings&) const = default;
};

struct GateSettings {
    double threshold_db = -30.0;
    double hysteresis_db = 4.0;
    double attack_ms = 0.5;
    double hold_ms = 60.0;
    double release_ms = 200.0;
    double range_db = -40.0;
    double lookahead_ms = 0.0;
    GateKey key = GateKey::own;
    bool key_listen = false;
    double key_high_pass_hz = kFilterOff;
    double key_low_pass_hz = kFilterOff;
    bool operator==(const GateSettings&) const = default;
};

struct BusSettings {
    double threshold_db = -18.0;
    double ratio = 2.0;
    double knee_db = 6.0;
    double attack_ms = 30.0;
    double release_ms = 150.0;
    double key_high_pass_hz = 80.0;
    GateKey key = GateKey::own; ///< or side_chain
    double makeup_db = 0.0;
    double blend = 1.0;
    bool operator==(const BusSettings&) const = default;
};

struct SumSettings {
    PanLaw pan_law_db = PanLaw::db_3;
    double overhead_width = 1.0;
    double room_width = 1.0;
    bool mono = false;
    bool operator==(const SumSettings&) const = default;
};

inline constexpr std::size_t kRingBands = 6;

struct RingBand {
    double hz = 180.0;
    double q = 8.0;
    double ring_ms = 250.0;      ///< T60 that the band is to have; needs the drum's own, see open_ring_ms
    double open_ring_ms = 600.0; ///< T60 of the band as recorded, found by learn or from the ring table
    bool operator==(const RingBand&) const = default;
};

struct DampSettings {
    double amount =
        0.0; ///< 0 open (the input itself) .. 1 fully as set; below 0 opens up as far as noise allows
    double high_db_per_s = 0.0;
    double tail_db_per_s = 0.0;
    Tail heard = Tail::deadened; ///< which of the two
    std::size_t band_count = 0;  ///< bands[0..band_count)
    std::array<RingBand, kRingBands> bands{};
    bool operator==(const DampSettings&) const = default;
};

struct OutputSettings {
    double level_db = 0.0;
    double bits = 24.0;
    bool dither = true;
    bool operator==(const OutputSettings&) const = default;
};

/// How loud each drum is to be in the submix: K-weighted loudness of a stroke, all mics together, in dB re
/// the snare's (re where it would be, if there is none). Common practice, no source.
struct BalanceSettings {
    double kick_db = 0.0;
    double toms_db = -2.0;
    double hihat_db = -12.0;
    double ride_db = -12.0;
    double cymbals_db = -6.0;
    double overheads_db = -9.0; ///< what the overheads alone bring of a stroke on a skin, re that drum's part
    double rooms_db = -18.0;    ///< the same of the rooms
    double kick_out_db = -3.0;  ///< kick out alone re kick in alone
    double snare_bottom_db = -9.0; ///< snare bottom alone re snare top alone
    double overhead_width = 1.0;   ///< for SumSettings
    double room_width = 0.6;
    Side side = Side::drummer;
    bool operator==(const BalanceSettings&) const = default;
};

struct RoomSettings {
    double temperature_c = 20.0;
    bool operator==(const RoomSettings&) const = default;
};

} // namespace kitfold::dsp
