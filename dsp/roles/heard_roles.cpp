#include "roles/heard_roles.h"
#include "roles/kit_view.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <optional>

namespace kitfold::dsp {
namespace {

// A mic 15 cm from a drum whose next mic is half a metre away hears it 10 dB louder than that one (1/r). Kick
// and snare have a mic wherever there are any (common practice, no source), so for them less speaks: on a
// recorded kit whose distant mics lead by up to 5 dB somewhere, 4.5 dB and more.
constexpr float kCloseDb = 10.0f, kPerhapsCloseDb = 4.0f;
constexpr float kClearDb = 6.0f; // half as far as the next
constexpr float kFirstMs = 0.8f; // 27 cm: within that two mics are as near
constexpr float kHeadsMs = 1.5f; // 51 cm: the far head of the same drum, and nearer than an overhead stands
constexpr float kRoomMs = 4.0f, kRoomAfterMs = 1.5f, kSureRoomMs = 2.5f; // 1.4 m, 0.5 m, 0.9 m
// A mic over the kit is 70 cm further from a drum than the drum's own; one at a tom that nobody strikes is
// not. The two of a pair stand as far from the kit, within 34 cm.
constexpr float kAboveMs = 2.0f, kSameDistanceMs = 1.0f;
// Recorded and simulated kicks lie at 43 to 57 Hz in a mic close to them and at 120 and up elsewhere; floor
// toms are tuned higher (common practice, no source).
constexpr double kKickHz = 75.0, kSureKickHz = 65.0, kElsewhere = 1.5;
constexpr double kApart = 1.2;                     // a minor third, as for exchanged mics (patching.h)
constexpr double kFloorHz = 95.0, kRackHz = 130.0; // between them a tom may stand or hang
// Above 1 kHz snare mics of two kits and six more snares lie at -27 to -1 dB; a mic that is no more than -15
// may as well be a tom's. How much brighter a snare and its bottom are, and by how much later bottoms and
// outer kick mics are, is so measured for exchanged mics (patching.h).
constexpr double kNoisyDb = -15.0, kLeastNoiseDb = -30.0, kBrighterSnareDb = 6.0, kBrighterBottomDb = 2.0;
constexpr float kLaterHeadMs = 0.1f, kLaterKickMs = 0.3f, kMoreOfOthersDb = 3.0f;
constexpr std::size_t kOften =
    4; // a snare is struck at least once to four kicks (common practice, no source)
constexpr float kPlateDb = -4.0f;                          // top, where the brightest snares end (hits/names)
constexpr float kHatFallDb = -15.0f, kRideFallDb = -10.0f; // in 80 ms: closed hats, and what rings on
// A coincident pair hears the kit alike within 2.7 dB, any other two mics by 4 and more. The side as in
// patching.h.
constexpr float kAlikeDb = 3.0f, kClearly = 1.5f, kSideDb = 2.0f;

enum class Kind { kick, head, plate };

/// A drum and the mics close to it, the one that leads most first.
struct Group {
    Kind kind = Kind::head;
    std::size_t place = 0;
    std::vector<std::size_t> mics = {};
    std::optional<Drum> drum = {};
    StrokeSound sound = {};                ///< in the first mic, but as bright as the brightest
    float lead_db = 0.0f, clear_db = 0.0f; ///< of the first mic, and over all that are not close to it
    float late_ms = INFINITY;              ///< of the first mic at the place

    /// Beyond what an overhead does that is alone above a drum.
    [[nodiscard]] bool close() const {
        return lead_db >= kCloseDb && clear_db >= kClearDb && late_ms < kFirstMs;
    }
};

Kind kind_of(Drum d) { return d == Drum::kick ? Kind::kick : is_plate(d) ? Kind::plate : Kind::head; }

class Guesser {
public:
    Guesser(const Take& take, const KitView& view, std::vector<HeardRole>& out)
        : take_(take), view_(view), out_(out) {}

    void run() {
        for (std::size_t m = 0; m < view_.mics().size(); ++m) place(m);
        std::erase_if(groups_, [&](const Group& g) { return g.kind == Kind::head && !first(g); });
        for (auto& g : groups_) complete(g);
        name_kick();
        name_snare();
        name_toms();
        name_plates();
        name_distant();
    }

private:
    [[nodiscard]] Role role(std::size_t mic) const { return out_[view_.mics()[mic]].role; }
    [[nodiscard]] bool known(std::size_t mic) const {
        return take_.mics[view_.mics()[mic]].role != Role::other;
    }
    [[nodiscard]] bool is_free(Role wanted) const {
        return std::none_of(out_.begin(), out_.end(), [=](const HeardRole& h) { return h.role == wanted; });
    }
    void give(std::size_t mic, Role wanted, bool sure) {
        if (known(mic) || !is_free(wanted)) return;
        auto& h = out_[view_.mics()[mic]];
        h.role = wanted, h.sure = sure && view_.in_step(mic) == KitView::Step::yes;
    }

    void place(std::size_t mic);
    void join(std::size_t mic, Kind kind, std::size_t place);
    [[nodiscard]] bool first(const Group& g) const;
    void complete(Group& g) const;
    [[nodiscard]] bool only_here(const Group& kick) const;
    void name_kick();
    [[nodiscard]] bool often(const Group& g) const;
    void name_snare();
    void name_two_heads(const Group& snare, bool sure);
    void name_toms();
    void name_plates();
    void name_distant();
    void name_pair(std::vector<std::size_t> mics, std::array<Role, 3> left_right_mono, bool sure);
    void name_sides(std::size_t a, std::size_t b, Role left, Role right, bool sure);
    [[nodiscard]] bool surely(Role r) const;
    [[nodiscard]] const Group* group_of(std::size_t mic) const;
    [[nodiscard]] bool distant(std::size_t mic) const;
    [[nodiscard]] std::vector<Group*> groups(Kind kind, bool unnamed);
    [[nodiscard]] std::optional<std::size_t> place_of(Role r) const;

    const Take& take_;
    const KitView& view_;
    std::vector<HeardRole>& out_;
    std::vector<Group> groups_;
};

void Guesser::join(std::size_t mic, Kind kind, std::size_t place) {
    for (auto& g : groups_) {
        if (g.kind != kind) continue;
        const auto first = g.mics.front();
        const auto lead = [&](std::size_t m, std::size_t p) { return view_.lead_db(m, p); };
        const auto half = [](float a, float b) { return std::min(a, b) >= 0.5f * std::max(a, b); };
        if (!half(lead(mic, g.place), lead(mic, place)) || !half(lead(first, place), lead(first, g.place)))
            continue; // another drum
        if (kind != Kind::kick && !half(lead(mic, place), lead(first, place)) &&
            !half(lead(mic, g.place), lead(first, g.place)))
            continue; // not as close
        g.mics.push_back(mic);
        if (view_.lead_db(mic, place) > g.lead_db) {
            std::swap(g.mics.front(), g.mics.back());
            g.place = place, g.lead_db = view_.lead_db(mic, place);
        }
        return;
    }
    groups_.push_back({kind, place, {mic}, {}, {}, view_.lead_db(mic, place)});
}

/// Close to a drum, or to none.
void Guesser::place(std::size_t mic) {
    if (is_overhead(role(mic)) || is_room(role(mic))) return;
    const auto best = view_.leads_at(mic);
    if (const auto drum = own_drum(role(mic))) return join(mic, kind_of(*drum), best);
    if (view_.late_ms(mic) > kRoomMs && !view_.few_places()) return;
    const bool plate = view_.top_db(mic, best) > kPlateDb;
    if (const double hz = view_.sound(mic, best).hz; !plate && hz > 0.0 && hz < kKickHz)
        return join(mic, Kind::kick, best);
    const float late = view_.soonest_ms(mic);
    const float least_db = view_.few_places() ? 0.0f : kPerhapsCloseDb;
    if (view_.lead_db(mic, best) >= least_db && late < (plate ? kFirstMs : kHeadsMs))
        join(mic, plate ? Kind::plate : Kind::head, best);
}

/// One of its mics is as near as any.
bool Guesser::first(const Group& g) const {
    return std::any_of(g.mics.begin(), g.mics.end(),
                       [&](std::size_t m) { return known(m) || view_.soonest_ms(m) < kFirstMs; });
}

void Guesser::complete(Group& g) const {
    g.sound = view_.sound(g.mics.front(), g.place);
    float others_db = -INFINITY;
    for (std::size_t m = 0; m < view_.mics().size(); ++m)
        if (std::find(g.mics.begin(), g.mics.end(), m) == g.mics.end())
            others_db = std::max(others_db, view_.lead_db(m, g.place));
    g.clear_db = g.lead_db - others_db;
    g.late_ms = view_.late_ms(g.mics.front(), g.place).value_or(INFINITY);
    for (const auto m : g.mics) {
        g.sound.bright_db = std::max(g.sound.bright_db, view_.sound(m, g.place).bright_db);
        if (const auto drum = own_drum(role(m))) g.drum = drum;
    }
}

std::vector<Group*> Guesser::groups(Kind kind, bool unnamed) {
    std::vector<Group*> out;
    for (auto& g : groups_)
        if (g.kind == kind && !(unnamed && g.drum)) out.push_back(&g);
    return out;
}

/// Some mic has the role beyond doubt.
bool Guesser::surely(Role r) const {
    for (std::size_t m = 0; m < view_.mics().size(); ++m)
        if (role(m) == r && (known(m) || out_[view_.mics()[m]].sure)) return true;
    return false;
}

/// No mic but the group's hears that low a sound there.
bool Guesser::only_here(const Group& kick) const {
    for (std::size_t m = 0; m < view_.mics().size(); ++m)
        if (std::find(kick.mics.begin(), kick.mics.end(), m) == kick.mics.end() &&
            view_.sound(m, kick.place).hz < kElsewhere * kick.sound.hz)
            return false;
    return true;
}

/// The lowest of all; what else is as low is a tom.
void Guesser::name_kick() {
    auto all = groups(Kind::kick, false);
    if (all.empty()) return;
    std::stable_sort(all.begin(), all.end(), [](const Group* a, const Group* b) {
        return std::pair(!a->drum, a->sound.hz) < std::pair(!b->drum, b->sound.hz);
    });
    auto& kick = *all.front();
    for (std::size_t n = 1; n < all.size(); ++n) {
        all[n]->kind = Kind::head;
        if (all[n]->sound.hz > kApart * kick.sound.hz) continue;
        const bool nearer = all[n]->lead_db > kick.lead_db;
        kick.mics.insert(nearer ? kick.mics.begin() : kick.mics.end(), all[n]->mics.begin(),
                         all[n]->mics.end());
        if (nearer) kick.place = all[n]->place, kick.lead_db = all[n]->lead_db;
        all[n]->drum = Drum::kick; // heard otherwise, but none other
    }
    kick.drum = Drum::kick;
    const bool sure = kick.sound.hz < kSureKickHz &&
                      (kick.lead_db >= kCloseDb || (kick.lead_db >= kPerhapsCloseDb && only_here(kick)));
    auto near = kick.mics.front();
    if (kick.mics.size() == 1)
        return give(near, is_free(Role::kick_in) ? Role::kick_in : Role::kick_out, sure);
    auto far = kick.mics[1];
    if (role(near) == Role::kick_out || role(far) == Role::kick_in) std::swap(near, far);
    const auto a = view_.late_ms(near, kick.place), b = view_.late_ms(far, kick.place);
    const bool ordered = a && b && *b > *a + kLaterKickMs &&
                         view_.lead_db(far, kick.place) < view_.lead_db(near, kick.place) - kMoreOfOthersDb &&
                         view_.lead_db(far, kick.place) >= kCloseDb;
    give(near, Role::kick_in, sure && ordered);
    give(far, Role::kick_out, sure && ordered);
}

/// Struck as a snare is: toms are struck far less often than the kick.
bool Guesser::often(const Group& g) const {
    return std::all_of(groups_.begin(), groups_.end(), [&](const Group& kick) {
        return kick.drum != Drum::kick || kOften * view_.strokes(g.place) >= view_.strokes(kick.place);
    });
}

/// The noisiest head.
void Guesser::name_snare() {
    auto heads = groups(Kind::head, false);
    for (auto* g : heads)
        if (g->drum == Drum::snare) return name_two_heads(*g, true);
    heads = groups(Kind::head, true);
    if (heads.empty()) return;
    std::stable_sort(heads.begin(), heads.end(),
                     [](const Group* a, const Group* b) { return a->sound.bright_db > b->sound.bright_db; });
    auto& snare = *heads.front();
    const bool doubtful = heads.size() == 1 && snare.mics.size() == 1 && snare.lead_db < kCloseDb;
    if (snare.sound.bright_db < (doubtful && !often(snare) ? kNoisyDb : kLeastNoiseDb))
        return; // as well a tom
    const bool brightest = heads.size() > 1
                               ? snare.sound.bright_db > heads[1]->sound.bright_db + kBrighterSnareDb
                               : snare.sound.bright_db > kNoisyDb;
    snare.drum = Drum::snare;
    // A noisy drum with a mic at either head is a snare. With a single mic it is one if no other is as close:
    // that may be the snare's, whatever it is called.
    const bool close = snare.mics.size() == 2 ? snare.lead_db >= kPerhapsCloseDb
                                              : snare.lead_db >= kCloseDb && snare.clear_db >= kClearDb;
    name_two_heads(snare, brightest && close);
}

void Guesser::name_two_heads(const Group& snare, bool sure) {
    if (snare.mics.size() == 1)
        return give(snare.mics[0], is_free(Role::snare_top) ? Role::snare_top : Role::snare_bottom, sure);
    auto top = snare.mics[0], bottom = snare.mics[1];
    const auto bright = [&](std::size_t m) { return view_.sound(m, snare.place).bright_db; };
    if (known(top)      ? role(top) == Role::snare_bottom
        : known(bottom) ? role(bottom) == Role::snare_top
                        : bright(top) > bright(bottom))
        std::swap(top, bottom);
    const auto a = view_.late_ms(top, snare.place), b = view_.late_ms(bottom, snare.place);
    const bool ordered = bright(bottom) > bright(top) + kBrighterBottomDb && a && b && *b > *a + kLaterHeadMs;
    give(top, Role::snare_top, sure && ordered);
    give(bottom, Role::snare_bottom, sure && ordered);
}

/// From the lowest up; the lowest stands on the floor when it is one of several, or low.
void Guesser::name_toms() {
    auto toms = groups(Kind::head, true);
    std::erase_if(toms, [](const Group* g) { return !g->close(); });
    std::stable_sort(toms.begin(), toms.end(),
                     [](const Group* a, const Group* b) { return a->sound.hz < b->sound.hz; });
    const bool snare_known = surely(Role::snare_top);
    const bool floor_known = !is_free(Role::floor_tom);
    std::size_t on_floor = toms.size() > 3 ? 2 : toms.size() > 1 ? 1 : 0;
    if (toms.size() == 1 && toms[0]->sound.hz < kRackHz) on_floor = toms[0]->sound.hz < kFloorHz ? 1 : 0;
    if (floor_known) on_floor = 0;
    for (std::size_t n = 0; n < toms.size(); ++n) {
        auto& tom = *toms[n];
        const double hz = tom.sound.hz;
        const bool apart = (n == 0 || hz > kApart * toms[n - 1]->sound.hz) &&
                           (n + 1 == toms.size() || toms[n + 1]->sound.hz > kApart * hz);
        const bool placed = toms.size() == 2 ? toms[0]->sound.hz < kRackHz : hz < kFloorHz || hz > kRackHz;
        const bool sure = snare_known && apart && placed && !floor_known && toms.size() < 3;
        // the smallest has the plain name
        const std::size_t racks = toms.size() - on_floor;
        const Role wanted = n < on_floor ? (n + 1 == on_floor ? Role::floor_tom : Role::floor_tom_2)
                            : n + 1 == toms.size() || racks == 1 ? Role::rack_tom
                                                                 : Role::rack_tom_2;
        tom.drum = own_drum(wanted);
        give(tom.mics.front(), wanted, sure);
    }
}

void Guesser::name_plates() {
    for (auto* g : groups(Kind::plate, true)) {
        if (!g->close()) continue;
        const auto fall = view_.fall_db(g->mics.front(), g->place);
        if (!fall) continue;
        const bool hat = *fall < 0.5f * (kHatFallDb + kRideFallDb);
        give(g->mics.front(), hat ? Role::hihat : Role::ride, hat && *fall < kHatFallDb);
    }
}

const Group* Guesser::group_of(std::size_t mic) const {
    for (const auto& g : groups_)
        if (std::find(g.mics.begin(), g.mics.end(), mic) != g.mics.end()) return &g;
    return nullptr;
}

/// Over the kit or in the room, as far as anything says. A mic that leads somewhere as a close one does is
/// none of these unless it hears that place late.
bool Guesser::distant(std::size_t mic) const {
    if (known(mic)) return is_overhead(role(mic)) || is_room(role(mic));
    if (role(mic) != Role::other) return false;
    const auto* g = group_of(mic);
    if (g != nullptr) return !g->drum && !g->close();
    const auto best = view_.leads_at(mic);
    return view_.lead_db(mic, best) < kCloseDb || view_.late_ms(mic, best).value_or(0.0f) > kFirstMs;
}

/// Close to nothing, or to what is no drum's own mic: overheads, and rooms later than these.
void Guesser::name_distant() {
    std::vector<std::size_t> above, rooms;
    float first_ms = kRoomMs;
    bool pure = true; // none of them may as well be close to something
    for (std::size_t m = 0; m < view_.mics().size(); ++m)
        if (distant(m) && !is_room(role(m))) first_ms = std::min(first_ms, view_.late_ms(m));
    for (std::size_t m = 0; m < view_.mics().size(); ++m) {
        if (!distant(m)) continue;
        const bool late = view_.late_ms(m) > std::max(kRoomMs, first_ms + kRoomAfterMs);
        (is_room(role(m)) || (late && !is_overhead(role(m))) ? rooms : above).push_back(m);
        pure = pure && (known(m) || !group_of(m));
    }
    float least_ms = INFINITY, most_ms = 0.0f, room_ms = INFINITY;
    for (const auto m : above)
        least_ms = std::min(least_ms, view_.late_ms(m)), most_ms = std::max(most_ms, view_.late_ms(m));
    for (const auto m : rooms) room_ms = std::min(room_ms, view_.late_ms(m));
    const bool told = pure && above.size() == 2 && least_ms > kAboveMs && most_ms < kRoomMs &&
                      most_ms < least_ms + kSameDistanceMs;
    name_pair(above, {Role::overhead_left, Role::overhead_right, Role::overhead_mono}, told);
    name_pair(rooms, {Role::room_left, Role::room_right, Role::room_mono},
              told && room_ms > most_ms + kSureRoomMs);
}

/// One is mono, two are a pair; of more the two that hear the kit most alike.
void Guesser::name_pair(std::vector<std::size_t> mics, std::array<Role, 3> left_right_mono, bool sure) {
    const auto [left, right, mono] = left_right_mono;
    if (mics.size() == 1) return give(mics[0], mono, sure);
    if (mics.size() < 2) return;
    std::vector<std::pair<float, std::array<std::size_t, 2>>> pairs;
    for (std::size_t i = 0; i < mics.size(); ++i)
        for (std::size_t j = 0; j < i; ++j)
            pairs.push_back({view_.unlike_db(mics[i], mics[j]), {mics[j], mics[i]}});
    std::sort(pairs.begin(), pairs.end());
    const auto [unlike, pair] = pairs[0];
    if (pairs.size() > 1 && pairs[1].first < kClearly * unlike) return;
    name_sides(pair[0], pair[1], left, right, sure && pairs.size() == 1 && unlike < kAlikeDb);
}

std::optional<std::size_t> Guesser::place_of(Role r) const {
    for (std::size_t m = 0; m < view_.mics().size(); ++m)
        if (role(m) == r) return view_.leads_at(m);
    return std::nullopt;
}

/// Left is where the hi-hat stands.
void Guesser::name_sides(std::size_t a, std::size_t b, Role left, Role right, bool sure) {
    const auto hat = place_of(Role::hihat), floor = place_of(Role::floor_tom);
    const auto more = [&](std::optional<std::size_t> p) {
        return p ? view_.lead_db(a, *p) - view_.lead_db(b, *p) : 0.0f;
    };
    const float left_db = more(hat) - more(floor);
    const bool named = known(a) || known(b);
    if (named ? role(a) == right || role(b) == left : left_db < -kSideDb) std::swap(a, b);
    give(a, left, sure), give(b, right, sure);
    if (named) return;
    for (const auto m : {a, b})
        out_[view_.mics()[m]].side =
            std::abs(left_db) >= kSideDb ? HeardRole::Side::by_hearing : HeardRole::Side::open;
}

} // namespace

std::vector<HeardRole> hear_roles(const Take& take, std::span<const ScanFeatures> scans) {
    std::vector<HeardRole> out(take.mics.size());
    for (std::size_t m = 0; m < out.size(); ++m) out[m].role = take.mics[m].role, out[m].silent = true;
    std::optional<KitView> view(std::in_place, take, scans);
    std::vector<std::size_t> strangers;
    for (std::size_t n = 0; n < view->mics().size(); ++n) {
        const auto m = view->mics()[n];
        out[m].silent = false;
        if (view->places() > 0 && view->in_step(n) == KitView::Step::no && take.mics[m].role == Role::other)
            strangers.push_back(m);
    }
    if (!strangers.empty()) view.emplace(take, scans, strangers); // their strokes are no places
    if (view->places() > 0) Guesser(take, *view, out).run();
    for (std::size_t m = 0; m < out.size(); ++m)
        if (take.mics[m].role != Role::other) out[m].sure = true;
    return out;
}

} // namespace kitfold::dsp
