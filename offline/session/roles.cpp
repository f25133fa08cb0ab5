#include "offline/session/roles.h"
#include "offline/util/errors.h"
#include "settings/parameters.h"
#include "settings/settings_json.h"
#include <algorithm>
#include <array>
#include <charconv>
#include <map>
#include <nlohmann/json.hpp>
#include <numeric>
#include <optional>
#include <string_view>
#include <tuple>

namespace kitfold::offline {
namespace {

using dsp::Role;
using enum dsp::Role;

// What a word in a file name can mean. Names are common practice, no source.
enum class Word {
    unknown,
    number,
    kick,
    snare,
    tom,
    rack, ///< a tom on a rack, without saying tom
    floor,
    hat,
    ride,
    overhead,
    room,
    drum,
    bass, ///< a bass guitar, but the bass drum before "drum"
    inside,
    outside,
    top,
    bottom,
    high,
    middle,
    low,
    left,
    right,
    mono,
    rt, ///< right, or rack tom
    lt, ///< left, or low tom
    foreign
};

struct Spellings {
    Word word;
    std::string_view all; ///< separated by spaces
};
constexpr Spellings kSpellings[] = {
    {Word::kick, "kick kicks kik kck kic kd bd kickdrum bassdrum"},
    {Word::snare, "snare snares snr sn snre sd sna"},
    {Word::tom, "tom toms tm"},
    {Word::rack, "rack rk"},
    {Word::floor, "floor flr ft"},
    {Word::high, "ht hi high small"},
    {Word::middle, "mt mid middle"},
    {Word::rt, "rt"},
    {Word::lt, "lt"},
    {Word::hat, "hat hats hh hihat hihats hht highhat"},
    {Word::ride, "ride rd rde"},
    {Word::overhead, "overhead overheads oh ohs ovh ovhd ohd cymbals cyms"},
    {Word::room, "room rooms rm rms amb ambience ambient"},
    {Word::drum, "drum"},
    {Word::bass, "bass"},
    {Word::inside, "in inside ins beater batter"},
    {Word::outside, "out outside front reso port hole sub"},
    {Word::top, "top tp up over"},
    {Word::bottom, "bottom bot btm bttm under wires down dn"},
    {Word::low, "lo low large big"},
    {Word::left, "left lft lf l"},
    {Word::right, "right rgt r"},
    {Word::mono, "mono m c ctr centre center"},
    {Word::foreign, "click clicktrack metronome guide talkback talk tb vox voc vocal vocals gtr "
                    "guitar guitars keys piano organ synth mix mixdown bounce submix master rough "
                    "trig trigger sample samples loop reverb fx"},
};

const std::map<std::string_view, Word>& vocabulary() {
    static const auto words = [] {
        std::map<std::string_view, Word> out;
        for (auto [word, all] : kSpellings)
            while (!all.empty()) {
                const auto end = std::min(all.find(' '), all.size());
                out[all.substr(0, end)] = word;
                all.remove_prefix(std::min(end + 1, all.size()));
            }
        return out;
    }();
    return words;
}

struct Token {
    Word word = Word::unknown;
    int number = 0;
    std::string text;
    bool operator==(const Token& other) const { return text == other.text; }
};
using Tokens = std::vector<Token>;

bool is_digit(char c) { return c >= '0' && c <= '9'; }
bool is_upper(char c) { return c >= 'A' && c <= 'Z'; }
bool is_letter(char c) {
    return is_upper(c) || (c >= 'a' && c <= 'z') || static_cast<unsigned char>(c) >= 0x80;
}

std::string lower(std::string_view in) {
    std::string out(in);
    for (char& c : out)
        if (is_upper(c)) c = static_cast<char>(c - 'A' + 'a');
    return out;
}

/// "snrtop" as "snr" and "top": the fewest known words that make up the whole, or nothing. A single letter
/// counts only after a word of two or more, as in "ohl".
std::optional<Tokens> known_words(const std::string& run) {
    const auto& words = vocabulary();
    if (const auto whole = words.find(run); whole != words.end()) return Tokens{{whole->second, 0, run}};
    std::vector<std::optional<Tokens>> best(run.size() + 1);
    best[0] = Tokens{};
    for (std::size_t end = 1; end <= run.size(); ++end)
        for (std::size_t start = 0; start < end; ++start) {
            if (!best[start] || (start == 0 && end - start < 2)) continue;
            const auto found = words.find(std::string_view(run).substr(start, end - start));
            if (found == words.end() || found->second == Word::foreign) continue;
            if (best[end] && best[end]->size() <= best[start]->size() + 1) continue;
            best[end] = best[start];
            best[end]->push_back({found->second, 0, std::string(found->first)});
        }
    return best[run.size()];
}

/// A run of letters: known words, else its CamelCase parts, each known words or not.
void append_letters(std::string_view run, Tokens& out) {
    if (auto known = known_words(lower(run))) {
        out.insert(out.end(), known->begin(), known->end());
        return;
    }
    std::size_t start = 0;
    for (std::size_t i = 1; i <= run.size(); ++i) {
        const bool boundary =
            i == run.size() ||
            (is_upper(run[i]) && (!is_upper(run[i - 1]) || (i + 1 < run.size() && !is_upper(run[i + 1]))));
        if (!boundary) continue;
        const auto part = lower(run.substr(start, i - start));
        if (auto known = known_words(part))
            out.insert(out.end(), known->begin(), known->end());
        else
            out.push_back({Word::unknown, 0, part});
        start = i;
    }
}

Tokens tokens_of(const std::string& stem) {
    Tokens out;
    for (std::size_t i = 0; i < stem.size();) {
        std::size_t end = i + 1;
        if (is_digit(stem[i])) {
            while (end < stem.size() && is_digit(stem[end])) ++end;
            Token token{Word::number, 0, stem.substr(i, end - i)};
            std::from_chars(stem.data() + i, stem.data() + end,
                            token.number); // too long: stays 0, an index of nothing
            token.text = std::to_string(token.number);
            out.push_back(token);
        } else if (is_letter(stem[i])) {
            while (end < stem.size() && is_letter(stem[end])) ++end;
            append_letters(std::string_view(stem).substr(i, end - i), out);
        }
        i = end;
    }
    return out;
}

bool has(const Tokens& tokens, Word word) {
    return std::any_of(tokens.begin(), tokens.end(), [word](const Token& t) { return t.word == word; });
}

constexpr std::array kInstruments = {Word::kick,  Word::snare, Word::tom,  Word::rack,
                                     Word::floor, Word::hat,   Word::ride, Word::overhead,
                                     Word::room,  Word::rt,    Word::lt};

bool names_instrument(const Tokens& tokens) {
    return std::any_of(kInstruments.begin(), kInstruments.end(),
                       [&](Word word) { return has(tokens, word); });
}

/// Takes off what all names share, a song's name in front or a take's number behind, when every name says as
/// much without it as with it.
void drop_shared(std::vector<Tokens>& names, bool front) {
    if (names.size() < 3) return;
    while (true) {
        const auto end = [&](const Tokens& t) -> const Token& { return front ? t.front() : t.back(); };
        for (const auto& name : names) {
            if (name.size() < 2 || !(end(name) == end(names[0]))) return;
            if (!front && end(name).word != Word::number && end(name).word != Word::unknown) return;
        }
        auto without = names;
        for (auto& name : without) name.erase(front ? name.begin() : name.end() - 1);
        for (std::size_t i = 0; i < names.size(); ++i)
            if (names_instrument(names[i]) && !names_instrument(without[i])) return;
        names = std::move(without);
    }
}

/// "01-kick": the number of a track in front of a name is not the number of a drum.
void drop_track_number(Tokens& name) {
    if (name.size() > 1 && name.front().word == Word::number) name.erase(name.begin());
}

void read_pairs(Tokens& name) { // "bass drum", "hi hat", "over head"
    for (std::size_t i = 0; i + 1 < name.size(); ++i) {
        if (name[i].word == Word::bass && name[i + 1].word == Word::drum) name[i].word = Word::kick;
        if (name[i].word == Word::high && name[i + 1].word == Word::hat) name[i].word = Word::unknown;
        if (name[i].word == Word::top && name[i + 1].text.starts_with("head")) name[i].word = Word::overhead;
    }
}

/// The number right of the drum: 2 in "Track 1 Tom 2 take 3". 0: none, or one that counts something else.
int index_of(const Tokens& name) {
    const auto drum = std::find_if(name.begin(), name.end(), [](const Token& t) {
        return std::find(kInstruments.begin(), kInstruments.end(), t.word) != kInstruments.end();
    });
    const auto number = std::find_if(drum, name.end(), [](const Token& t) { return t.word == Word::number; });
    return number != name.end() && number->number <= 4 ? number->number : 0;
}

/// What one name says by itself. `wishes` are the roles it could have, the likeliest first.
struct Reading {
    Word drum = Word::unknown; ///< kick, snare, tom, hat, ride, overhead, room; foreign; unknown
    std::vector<Role> wishes;
    int index = 0;
    bool sure = false; ///< the name itself says which of several it is
    enum class Tom { plain, rack, low, floor } tom = Tom::plain;
    bool mono = false;
    bool strange = false; ///< a word that is neither known nor what recorders call a file
};

void read_side(Reading& r, const Tokens& name, Role left, Role right, Role mono) {
    const bool is_left = has(name, Word::left) || has(name, Word::lt);
    const bool is_right = has(name, Word::right) || has(name, Word::rt);
    r.mono = has(name, Word::mono);
    r.sure = true;
    if (is_left != is_right)
        r.wishes = {is_left ? left : right};
    else if (r.mono)
        r.wishes = {mono};
    else if (has(name, Word::hat) || has(name, Word::snare)) // "OH hat side"
        r.wishes = {left};
    else if (has(name, Word::ride) || has(name, Word::floor))
        r.wishes = {right};
    else
        r.wishes = {mono, left, right}, r.sure = false;
}

void read_two(Reading& r, bool first, bool second, Role first_role, Role second_role) {
    r.sure = first != second;
    if (r.sure)
        r.wishes = {first ? first_role : second_role};
    else
        r.wishes = {first_role, second_role};
}

void read_tom(Reading& r, const Tokens& name) {
    r.drum = Word::tom;
    if (has(name, Word::floor))
        r.tom = Reading::Tom::floor;
    else if (has(name, Word::low) || has(name, Word::lt))
        r.tom = Reading::Tom::low;
    else if (has(name, Word::rack) || has(name, Word::rt) || has(name, Word::high) || has(name, Word::middle))
        r.tom = Reading::Tom::rack;
    r.sure = r.tom != Reading::Tom::plain;
    if (r.index == 0 && has(name, Word::middle)) r.index = 2;
    if (r.index == 0 && r.tom == Reading::Tom::low) r.index = 3;
}

bool says_tom(const Tokens& name) {
    for (const auto word : {Word::tom, Word::rack, Word::floor, Word::rt, Word::lt})
        if (has(name, word)) return true;
    return std::any_of(name.begin(), name.end(),
                       [](const Token& t) { return t.text == "ht" || t.text == "mt"; });
}

Reading read_name(const Tokens& name) {
    Reading r;
    r.index = index_of(name);
    const bool kick = has(name, Word::kick);
    if (has(name, Word::foreign) || (has(name, Word::bass) && !kick)) {
        r.drum = Word::foreign;
    } else if (has(name, Word::overhead)) {
        r.drum = Word::overhead;
        read_side(r, name, overhead_left, overhead_right, overhead_mono);
    } else if (has(name, Word::room)) {
        r.drum = Word::room;
        read_side(r, name, room_left, room_right, room_mono);
    } else if (has(name, Word::hat) || has(name, Word::ride)) {
        r.drum = has(name, Word::hat) ? Word::hat : Word::ride;
        r.wishes = {r.drum == Word::hat ? hihat : ride}, r.sure = true;
    } else if (kick) {
        r.drum = Word::kick;
        read_two(r, has(name, Word::inside), has(name, Word::outside), kick_in, kick_out);
    } else if (has(name, Word::snare)) {
        r.drum = Word::snare;
        read_two(r, has(name, Word::top) || has(name, Word::high),
                 has(name, Word::bottom) || has(name, Word::low), snare_top, snare_bottom);
    } else if (says_tom(name)) {
        read_tom(r, name);
    }
    return r;
}

/// "Cowbell", but not "Track 03", and not what the other files are called, too.
bool strange(const std::vector<Tokens>& names, std::size_t name) {
    constexpr std::string_view recorders =
        " track trk tr audio input inp ch chan channel mic take rec record "
        "recording file line aux stereo region part ";
    return std::any_of(names[name].begin(), names[name].end(), [&](const Token& t) {
        if (t.word != Word::unknown || t.text.size() < 2 ||
            recorders.find(" " + t.text + " ") != std::string_view::npos)
            return false;
        return std::none_of(names.begin(), names.end(), [&](const Tokens& other) {
            return &other != &names[name] && std::find(other.begin(), other.end(), t) != other.end();
        });
    });
}

/// Letters that mean a drum only beside another word: "T1", "F tom", "K in".
void read_letters(Tokens& name) {
    for (std::size_t i = 0; i + 1 < name.size(); ++i) {
        auto& [word, number, text] = name[i];
        const auto next = name[i + 1].word;
        if (text == "t" && next == Word::number) word = Word::tom;
        if ((text == "f" || text == "fl") && next == Word::tom) word = Word::floor;
        if (text == "r" && next == Word::tom) word = Word::rack;
        if (text == "k" && (next == Word::inside || next == Word::outside)) word = Word::kick;
    }
}

std::vector<Tokens> all_tokens(const std::vector<NamedFile>& files) {
    std::vector<Tokens> names;
    for (const auto& file : files) names.push_back(tokens_of(file.stem));
    for (auto& name : names) drop_track_number(name);
    drop_shared(names, true);
    drop_shared(names, false);
    for (auto& name : names) read_pairs(name), read_letters(name);
    return names;
}

std::vector<Role> tom_wishes(const Reading& r, bool on_floor) {
    const bool second = r.sure && r.index == 2;
    if (on_floor) return second ? std::vector{floor_tom_2, floor_tom} : std::vector{floor_tom, floor_tom_2};
    if (second) return {rack_tom_2, rack_tom};
    if (r.tom == Reading::Tom::rack) return {rack_tom, rack_tom_2};
    return {rack_tom, rack_tom_2, floor_tom, floor_tom_2};
}

/// Toms are counted from the smallest: of toms with no other name the last stands on the floor (of four, the
/// last two), unless a floor tom has a name of its own. So does the low tom.
void place_toms(std::vector<Reading>& readings) {
    using enum Reading::Tom;
    std::vector<Reading*> unnamed;
    const bool floor_named =
        std::any_of(readings.begin(), readings.end(), [](auto& r) { return r.tom == floor; });
    bool on_floor = floor_named;
    for (auto& r : readings) {
        if (r.drum != Word::tom) continue;
        r.wishes = tom_wishes(r, r.tom == floor || (r.tom == low && !floor_named));
        on_floor = on_floor || r.tom == low;
        if (r.tom == plain) unnamed.push_back(&r);
    }
    std::stable_sort(unnamed.begin(), unnamed.end(), [](auto* a, auto* b) { return a->index < b->index; });
    const std::size_t count = unnamed.size(), last = on_floor || count < 2 ? 0 : (count < 4 ? 1 : 2);
    for (std::size_t i = 0; i < count; ++i) unnamed[i]->wishes = tom_wishes(*unnamed[i], i + last >= count);
}

/// Two overheads or rooms with no side in their names are a pair, in the order of their numbers and names.
void place_pairs(std::vector<Reading>& readings, Word drum, Role left, Role right) {
    std::vector<Reading*> bare;
    bool side_named = false;
    for (auto& r : readings) {
        if (r.drum != drum) continue;
        if (!r.sure)
            bare.push_back(&r);
        else if (!r.mono)
            side_named = true;
    }
    if (bare.size() != 2 || side_named) return;
    std::stable_sort(bare.begin(), bare.end(), [](auto* a, auto* b) { return a->index < b->index; });
    bare[0]->wishes = {left}, bare[1]->wishes = {right};
}

bool is_pair_of_mics(Word drum) { return drum == Word::overhead || drum == Word::room; }

std::string label(Role role) {
    for (const auto& field : dsp::fields<dsp::MicSettings>())
        if (field.parameter.key == "role") return dsp::text(field.parameter, static_cast<double>(role));
    return {};
}

/// Gives each file the first of its wishes that is still free, the sure ones before the others.
class Seats {
public:
    explicit Seats(const std::vector<NamedFile>& files) : files_(files) {}

    RoleGuess take(std::size_t file, const Reading& r) {
        if (r.drum == Word::foreign) return {roles(file, other), false, "not a mic of the kit"};
        if (r.wishes.empty())
            return {roles(file, other), true, "the name does not say which mic it is", true, r.strange};
        if (files_[file].stereo && is_pair_of_mics(r.drum)) return take_pair(file, r);
        for (const auto role : r.wishes)
            if (taken_.emplace(role, file).second) {
                auto out = roles(file, other);
                out[0] = role;
                return {out, true, note(r, role)};
            }
        return refuse(file, r.wishes[0]);
    }

private:
    std::vector<Role> roles(std::size_t file, Role role) const {
        return std::vector<Role>(files_[file].stereo ? 2 : 1, role);
    }
    RoleGuess take_pair(std::size_t file, const Reading& r) {
        const bool overheads = r.drum == Word::overhead;
        const Role left = overheads ? overhead_left : room_left,
                   right = overheads ? overhead_right : room_right;
        for (const auto role : {left, right})
            if (taken_.count(role) != 0) return refuse(file, role);
        taken_[left] = taken_[right] = file;
        return {{left, right}, true, "a stereo file: channel 1 is left, channel 2 right"};
    }
    RoleGuess refuse(std::size_t file, Role role) const {
        return {roles(file, other), true,
                "also looks like " + label(role) + ", which " + files_[taken_.at(role)].stem + " already is"};
    }
    static std::string note(const Reading& r, Role role) {
        if (r.sure) return {};
        switch (role) {
        case kick_in:
            return "the name does not say where; most kick mics stand inside or in the port";
        case kick_out:
            return "the second kick mic, so outside";
        case snare_bottom:
            return "the second snare mic, so below";
        case floor_tom:
        case floor_tom_2:
            return "the last of the toms, so on the floor";
        case overhead_left:
        case overhead_right:
        case room_left:
        case room_right:
            return "two with no side in the name: left, then right";
        default:
            return {};
        }
    }
    const std::vector<NamedFile>& files_;
    std::map<Role, std::size_t> taken_;
};

} // namespace

std::vector<RoleGuess> guess_roles(const std::vector<NamedFile>& files) {
    std::vector<Reading> readings;
    const auto names = all_tokens(files);
    for (std::size_t i = 0; i < names.size(); ++i) {
        readings.push_back(read_name(names[i]));
        readings.back().strange = strange(names, i);
    }
    place_toms(readings);
    place_pairs(readings, Word::overhead, overhead_left, overhead_right);
    place_pairs(readings, Word::room, room_left, room_right);

    std::vector<std::size_t> order(files.size());
    std::iota(order.begin(), order.end(), std::size_t{0});
    std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
        const auto &x = readings[a], &y = readings[b];
        return std::tuple(!x.sure, x.index) < std::tuple(!y.sure, y.index);
    });
    Seats seats(files);
    std::vector<RoleGuess> out(files.size());
    for (const auto i : order) out[i] = seats.take(i, readings[i]);
    return out;
}

Role role_named(const std::string& option, const std::string& word) {
    if (const auto role = dsp::role_from_token(word)) return *role;
    std::vector<std::string_view> all;
    for (std::size_t i = 0; i < dsp::kRoleCount; ++i) all.push_back(dsp::token(static_cast<Role>(i)));
    const auto nearest = dsp::nearest_of(word, all);
    throw bad_input(option + ": " + dsp::shown(dsp::Json(word)) + " is not a role; " +
                    (nearest.empty() ? std::string("snare_top, kick_in or floor_tom would be one")
                                     : "did you mean " + std::string(nearest) + "?"));
}

std::string mic_name(Role role) {
    auto name = label(role);
    name[0] = static_cast<char>(name[0] - 'a' + 'A');
    return name;
}

} // namespace kitfold::offline
