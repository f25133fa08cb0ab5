#include "settings/settings_json.h"
#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <numeric>
#include <set>
#include <vector>

namespace kitfold::dsp {
namespace {

constexpr std::string_view kBands = "bands";

template <class Settings> constexpr bool has_bands = std::is_same_v<Settings, DampSettings>;

/// Walks the text without building anything, so that depth and twice-written keys are known before there is a
/// tree.
class Guard : public nlohmann::json_sax<Json> {
public:
    std::string wrong;
    std::size_t position = 0;
    bool syntax = false;

    bool null() override { return one_more(); }
    bool boolean(bool) override { return one_more(); }
    bool number_integer(number_integer_t) override { return one_more(); }
    bool number_unsigned(number_unsigned_t) override { return one_more(); }
    bool number_float(number_float_t, const string_t&) override { return one_more(); }
    bool string(string_t&) override { return one_more(); }
    bool binary(binary_t&) override { return one_more(); }
    bool start_object(std::size_t) override { return deeper(); }
    bool end_object() override { return shallower(); }
    bool start_array(std::size_t) override { return deeper(); }
    bool end_array() override { return shallower(); }

    bool key(string_t& name) override {
        if (keys_.back().size() >= kJsonKeys) {
            wrong = "more than " + std::to_string(kJsonKeys) +
                    " keys in one object, which no session or preset has";
            return false;
        }
        if (keys_.back().insert(name).second) return true;
        wrong = "the key " + shown(Json(name)) + " is there twice in one object; keep one";
        return false;
    }

    bool parse_error(std::size_t at, const std::string&, const nlohmann::detail::exception& error) override {
        syntax = true;
        position = at;
        wrong = error.what();
        const auto detail = wrong.find(" - ");
        wrong.erase(0, detail != std::string::npos ? detail + 3 : wrong.find("] ") + 2);
        return false;
    }

private:
    bool one_more() {
        if (++values_ <= kJsonValues) return true;
        wrong = "more than " + std::to_string(kJsonValues) + " values, which no session or preset has";
        return false;
    }
    bool deeper() {
        if (!one_more()) return false;
        keys_.emplace_back();
        if (static_cast<int>(keys_.size()) <= kJsonDepth) return true;
        wrong =
            "nested deeper than " + std::to_string(kJsonDepth) + " levels, which no session or preset needs";
        return false;
    }
    bool shallower() {
        keys_.pop_back();
        return true;
    }
    std::vector<std::set<std::string, std::less<>>> keys_;
    std::size_t values_ = 0;
};

/// Cuts to at most `bytes`, not inside a UTF-8 character.
std::string shortened(std::string text, std::size_t bytes) {
    if (text.size() <= bytes) return text;
    while (bytes > 0 && (static_cast<unsigned char>(text[bytes]) & 0xC0u) == 0x80u) --bytes;
    text.resize(bytes);
    return text + "…";
}

std::string line_and_column(std::string_view text, std::size_t position) {
    const auto before =
        text.substr(0, position > 0 ? position - 1 : 0); // the position counts the byte just read
    const auto line_start = before.rfind('\n');
    const auto line = 1 + std::count(before.begin(), before.end(), '\n');
    const auto column =
        1 + (line_start == std::string_view::npos ? before.size() : before.size() - line_start - 1);
    return "line " + std::to_string(line) + ", column " + std::to_string(column);
}

std::size_t edit_distance(std::string_view a, std::string_view b) {
    std::vector<std::size_t> row(b.size() + 1);
    std::iota(row.begin(), row.end(), std::size_t{0});
    for (std::size_t i = 0; i < a.size(); ++i) {
        auto diagonal = std::exchange(row[0], i + 1);
        for (std::size_t j = 0; j < b.size(); ++j)
            diagonal = std::exchange(
                row[j + 1], std::min({diagonal + (a[i] == b[j] ? 0 : 1), row[j] + 1, row[j + 1] + 1}));
    }
    return row.back();
}

std::string suggestion(std::string_view key, std::span<const std::string_view> known) {
    if (const auto nearest = nearest_of(key, known); !nearest.empty())
        return "did you mean " + std::string(nearest) + "?";
    std::string all;
    for (const auto candidate : known) all += (all.empty() ? "" : ", ") + std::string(candidate);
    return "the keys here are " + all;
}

/// The nearest of many choices where something like it was typed.
std::string_view meant(const Parameter& parameter, const Json& value) {
    constexpr std::size_t kFew = 4; // these are said in full
    if (parameter.choices.size() <= kFew || !value.is_string()) return {};
    std::vector<std::string_view> tokens;
    for (const auto& choice : parameter.choices) tokens.push_back(choice.token);
    return nearest_of(value.get_ref<const std::string&>(), tokens);
}

[[noreturn]] void refuse(const Parameter& parameter, const std::string& path, const Json& value) {
    const auto nearest = meant(parameter, value);
    throw SettingsError(path + " is " + shown(value) + ", " +
                        (nearest.empty()
                             ? "but must be " + what_is_allowed(parameter)
                             : "which is not known; did you mean \"" + std::string(nearest) + "\"?"));
}

bool special_token(const Parameter& p, std::string_view written) {
    return p.special.end != Special::End::none && !p.special.token.empty() && p.special.token == written;
}

double read_value(const Parameter& parameter, const std::string& path, const Json& value) {
    if (value.is_boolean() && parameter.scale == Scale::on_off) return value.get<bool>() ? 1.0 : 0.0;
    if (value.is_string()) {
        const auto& written = value.get_ref<const std::string&>();
        if (special_token(parameter, written)) return parameter.special.value;
        for (const auto& choice : parameter.choices)
            if (!choice.token.empty() && choice.token == written) return choice.value;
    }
    // a value that has a token is written as its token: 0 is not a release time, nor 1 a polarity
    if (value.is_number() && parameter.scale != Scale::on_off &&
        (parameter.choices.empty() || parameter.choices.front().token.empty())) {
        const auto number = value.get<double>();
        const bool hidden = parameter.special.end != Special::End::none && !parameter.special.token.empty() &&
                            number == parameter.special.value;
        if (!hidden && allowed(parameter, number)) return number;
    }
    refuse(parameter, path, value);
}

Json write_value(const Parameter& parameter, double value) {
    if (parameter.scale == Scale::on_off) return value != 0.0;
    if (parameter.special.end != Special::End::none && !parameter.special.token.empty() &&
        value == parameter.special.value)
        return std::string(parameter.special.token);
    for (const auto& choice : parameter.choices)
        if (!choice.token.empty() && choice.value == value) return std::string(choice.token);
    if (value == std::trunc(value) && std::abs(value) < 1e15) return static_cast<std::int64_t>(value);
    return value;
}

void read_ring_bands(const Json& list, const std::string& path, DampSettings& settings) {
    if (!list.is_array())
        throw SettingsError(path + " is " + shown(list) +
                            ", but must be a list of ring bands, [{\"hz\": …}]");
    if (list.size() > kRingBands)
        throw SettingsError(path + " has " + std::to_string(list.size()) + " bands, but there are at most " +
                            std::to_string(kRingBands));
    settings.bands = {};
    settings.band_count = list.size();
    for (std::size_t i = 0; i < list.size(); ++i)
        read_settings(list[i], path + "[" + std::to_string(i) + "]", settings.bands[i]);
}

void read_bands_leniently(const Json& list, DampSettings& settings) {
    if (!list.is_array()) return;
    settings.band_count = std::min(list.size(), kRingBands);
    for (std::size_t i = 0; i < settings.band_count; ++i) read_leniently(list[i], settings.bands[i]);
}

constexpr std::size_t kLineWidth = 100;

bool is_leaf(const Json& json) { return !json.is_structured() || json.empty(); }

bool fits_on_a_line(const Json& json, std::size_t width) {
    for (const auto& entry : json)
        if (!is_leaf(entry)) return false;
    return json.dump().size() + 2 * json.size() <= width; // two more bytes each for the spaces
}

/// Numbers and texts fill lines, as in a paragraph; what holds others has lines of its own.
void write_pretty(const Json& json, std::size_t indent, std::size_t column, std::string& out) {
    if (is_leaf(json)) {
        out += json.dump();
        return;
    }
    const bool one_line = column < kLineWidth && fits_on_a_line(json, kLineWidth - column);
    const auto newline = "\n" + std::string(indent + 2, ' ');
    out += json.is_object() ? '{' : '[';
    bool first = true, after_leaf = false;
    for (const auto& [key, value] : json.items()) {
        const auto name = json.is_object() ? Json(key).dump() + ": " : std::string();
        const bool leaf = is_leaf(value);
        const auto length = leaf ? name.size() + value.dump().size() : 0;
        const bool same_line = one_line || (leaf && after_leaf && column + 2 + length <= kLineWidth);
        if (!first) out += same_line ? ", " : ",";
        if (!same_line) out += newline;
        column = (same_line ? column + 2 : indent + 2) + length;
        out += name;
        write_pretty(value, indent + 2, indent + 2 + name.size(), out);
        first = false, after_leaf = leaf;
    }
    if (!one_line) out += "\n" + std::string(indent, ' ');
    out += json.is_object() ? '}' : ']';
}

} // namespace

template <> std::string_view block_key<MicSettings>() noexcept { return "mic"; }
template <> std::string_view block_key<OfflineSettings>() noexcept { return "bounce"; }
template <> std::string_view block_key<KickSettings>() noexcept { return "filters"; }
template <> std::string_view block_key<GateSettings>() noexcept { return "gate"; }
template <> std::string_view block_key<BusSettings>() noexcept { return "bus"; }
template <> std::string_view block_key<SumSettings>() noexcept { return "sum"; }
template <> std::string_view block_key<DampSettings>() noexcept { return "damp"; }
template <> std::string_view block_key<RingBand>() noexcept { return "band"; }
template <> std::string_view block_key<BalanceSettings>() noexcept { return "balance"; }
template <> std::string_view block_key<OutputSettings>() noexcept { return "output"; }
template <> std::string_view block_key<RoomSettings>() noexcept { return "room"; }

FoundBlock find_block(const Json& object, std::string_view key, std::string_view earlier) {
    for (const auto name : {key, earlier})
        if (const auto at = object.find(name); !name.empty() && at != object.end()) return {name, &*at};
    return {};
}

Json parse_json(std::string_view text) {
    if (text.size() > kJsonBytes)
        throw SettingsError("longer than " + std::to_string(kJsonBytes >> 20) +
                            " MiB, so not a session or preset");
    Guard guard;
    if (!Json::sax_parse(text, &guard)) {
        const auto wrong = shortened(guard.wrong, 160);
        if (guard.syntax)
            throw SettingsError("not valid JSON at " + line_and_column(text, guard.position) + ": " + wrong);
        throw SettingsError(wrong);
    }
    return Json::parse(text);
}

std::string pretty(const Json& json) {
    std::string out;
    write_pretty(json, 0, 0, out);
    return out + "\n";
}

std::string key_path(std::string_view at, std::string_view key) {
    const bool plain = std::all_of(key.begin(), key.end(), [](char c) {
        return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '_' ||
               c == '-';
    });
    const auto name =
        plain && !key.empty() && key.size() <= 64 ? std::string(key) : shown(Json(std::string(key)));
    return at.empty() ? name : std::string(at) + "." + name;
}

std::string shown(const Json& value) {
    if (value.is_object()) return "an object";
    if (value.is_array()) return "a list";
    if (value.is_string()) {
        const auto cut = shortened(value.get_ref<const std::string&>(), 48);
        return Json(cut).dump(-1, ' ', false, Json::error_handler_t::replace);
    }
    return value.dump();
}

std::string_view nearest_of(std::string_view typed, std::span<const std::string_view> known) {
    std::string_view nearest;
    std::size_t best = std::max<std::size_t>(2, typed.size() / 3) + 1;
    if (typed.size() <= 64)
        for (const auto candidate : known)
            if (const auto distance = edit_distance(typed, candidate); distance < best)
                best = distance, nearest = candidate;
    return nearest;
}

void check_keys(const Json& json, std::string_view at, std::span<const std::string_view> known) {
    if (!json.is_object())
        throw SettingsError((at.empty() ? "the whole" : std::string(at)) + " is " + shown(json) +
                            ", but must be an object, {…}");
    for (const auto& [key, value] : json.items())
        if (std::find(known.begin(), known.end(), key) == known.end())
            throw SettingsError(key_path(at, key) + " is not a known key; " + suggestion(key, known));
}

template <class Settings> std::span<const std::string_view> keys() {
    static const auto all = [] {
        std::vector<std::string_view> out;
        for (const auto& field : fields<Settings>()) {
            out.push_back(field.parameter.key);
            if (!field.parameter.earlier_key.empty()) out.push_back(field.parameter.earlier_key);
        }
        if constexpr (has_bands<Settings>) out.push_back(kBands);
        return out;
    }();
    return all;
}

template <class Settings> Json to_json(const Settings& settings) {
    auto out = Json::object();
    for (const auto& field : fields<Settings>())
        out[std::string(field.parameter.key)] = write_value(field.parameter, field.of(settings));
    if constexpr (has_bands<Settings>) {
        auto list = Json::array();
        for (std::size_t i = 0; i < std::min(settings.band_count, kRingBands); ++i)
            list.push_back(to_json(settings.bands[i]));
        out[std::string(kBands)] = std::move(list);
    }
    return out;
}

template <class Settings> void read_keys(const Json& object, std::string_view at, Settings& settings) {
    auto read = settings;
    for (const auto& field : fields<Settings>())
        if (const auto found = find_block(object, field.parameter.key, field.parameter.earlier_key);
            found.json)
            field.put(read, read_value(field.parameter, key_path(at, found.key), *found.json));
    if constexpr (has_bands<Settings>)
        if (const auto found = object.find(kBands); found != object.end())
            read_ring_bands(*found, key_path(at, kBands), read);
    settings = read;
}

template <class Settings> void read_settings(const Json& object, std::string_view at, Settings& settings) {
    check_keys(object, at, keys<Settings>());
    read_keys(object, at, settings);
}

template <class Settings> void read_leniently(const Json& object, Settings& settings) noexcept {
    try {
        if (!object.is_object()) return;
        for (const auto& field : fields<Settings>()) {
            const auto found = find_block(object, field.parameter.key, field.parameter.earlier_key).json;
            if (found == nullptr) continue;
            try {
                field.put(settings, read_value(field.parameter, {}, *found));
            } catch (const SettingsError&) { // keeps the present value
            }
        }
        if constexpr (has_bands<Settings>)
            if (const auto found = object.find(kBands); found != object.end())
                read_bands_leniently(*found, settings);
    } catch (...) { // out of memory: what has been read so far is still allowed
    }
}

template <class Settings> std::string to_state_text(const Settings& settings) {
    auto out = Json::object();
    out[std::string(block_key<Settings>())] = to_json(settings);
    return out.dump();
}

template <class Settings> bool read_state_text(std::string_view text, Settings& settings) noexcept {
    try {
        const auto json = parse_json(text);
        if (!json.is_object()) return false;
        const auto block = find_block<Settings>(json).json;
        if (block == nullptr || !block->is_object()) return false;
        read_leniently(*block, settings);
        return true;
    } catch (...) {
        return false;
    }
}

#define KITFOLD_SETTINGS_JSON(Settings)                                                                      \
    template std::span<const std::string_view> keys<Settings>();                                             \
    template Json to_json(const Settings&);                                                                  \
    template void read_keys(const Json&, std::string_view, Settings&);                                       \
    template void read_settings(const Json&, std::string_view, Settings&);                                   \
    template void read_leniently(const Json&, Settings&) noexcept;                                           \
    template std::string to_state_text(const Settings&);                                                     \
    template bool read_state_text(std::string_view, Settings&) noexcept;
KITFOLD_SETTINGS_JSON(MicSettings)
KITFOLD_SETTINGS_JSON(OfflineSettings)
KITFOLD_SETTINGS_JSON(KickSettings)
KITFOLD_SETTINGS_JSON(GateSettings)
KITFOLD_SETTINGS_JSON(BusSettings)
KITFOLD_SETTINGS_JSON(SumSettings)
KITFOLD_SETTINGS_JSON(DampSettings)
KITFOLD_SETTINGS_JSON(RingBand)
KITFOLD_SETTINGS_JSON(BalanceSettings)
KITFOLD_SETTINGS_JSON(OutputSettings)
KITFOLD_SETTINGS_JSON(RoomSettings)
#undef KITFOLD_SETTINGS_JSON

} // namespace kitfold::dsp
