#include "pairs/wiring.h"
#include <algorithm>
#include <set>

namespace kitfold::dsp {

namespace {

enum class Side { unknown, front, back };

/// Mics of one side hear the first movement of a drum the same way up.
Side side(Drum drum, Role role) noexcept {
    const bool kick_mic = role == Role::kick_in || role == Role::kick_out;
    if (drum == Drum::kick)
        return kick_mic || is_room(role)                      ? Side::front
               : role == Role::snare_top || is_overhead(role) ? Side::back
                                                              : Side::unknown;
    return kick_mic || role == Role::snare_bottom || role == Role::other ? Side::unknown : Side::back;
}

class Turned {
public:
    Turned(std::span<const TakeMic> mics, std::span<const FirstMovement> movements) {
        for (const auto& m : movements) {
            const auto below = [&](std::size_t mic) { return mics[mic].role == Role::snare_bottom; };
            if (below(m.a) || below(m.b)) continue; // the two heads may go either way
            const auto x = side(m.drum, mics[m.a].role), y = side(m.drum, mics[m.b].role);
            if (x == y && x != Side::unknown)
                near_.push_back(m);
            else if (x == y || m.drum != Drum::kick)
                far_.push_back(m);
        }
    }
    [[nodiscard]] bool agree() const {
        return std::all_of(near_.begin(), near_.end(), [](const auto& m) { return m.sign > 0; });
    }
    [[nodiscard]] bool explained_by(const std::vector<std::size_t>& set) const {
        const auto holds = [&](const FirstMovement& m) {
            return (m.sign > 0) == (in(set, m.a) == in(set, m.b));
        };
        return std::all_of(near_.begin(), near_.end(), holds) &&
               std::all_of(set.begin(), set.end(), [&](std::size_t mic) {
                   const auto touches = [=](const FirstMovement& m) { return m.a == mic || m.b == mic; };
                   std::set<std::size_t> against;
                   const auto collect = [&](const FirstMovement& m) {
                       const auto other = m.a == mic ? m.b : m.a;
                       if (touches(m) && m.sign < 0 && !in(set, other)) against.insert(other);
                   };
                   std::for_each(near_.begin(), near_.end(), collect);
                   if (against.empty()) return false;
                   std::for_each(far_.begin(), far_.end(), collect);
                   return against.size() > 1 && std::all_of(far_.begin(), far_.end(), [&](const auto& m) {
                              return !touches(m) || holds(m);
                          });
               });
    }

private:
    static bool in(const std::vector<std::size_t>& set, std::size_t mic) {
        return std::find(set.begin(), set.end(), mic) != set.end();
    }
    std::vector<FirstMovement> near_, far_; ///< of mics on one side; of others that can testify
};

} // namespace

std::vector<std::size_t> upside_down(std::span<const TakeMic> mics,
                                     std::span<const FirstMovement> movements) {
    const Turned turned(mics, movements);
    if (turned.agree()) return {};
    constexpr std::size_t kMost = 3; // with more turned over, the others are as likely to be
    for (std::size_t size = 1; size <= std::min(kMost, mics.size()); ++size) {
        std::vector<std::size_t> in_all; // sets that would do
        bool any = false;
        std::vector<bool> chosen(mics.size(), false);
        std::fill_n(chosen.begin(), size, true);
        do {
            std::vector<std::size_t> set, both;
            for (std::size_t m = 0; m < mics.size(); ++m)
                if (chosen[m]) set.push_back(m);
            if (!turned.explained_by(set)) continue;
            std::set_intersection(set.begin(), set.end(), in_all.begin(), in_all.end(),
                                  std::back_inserter(both));
            in_all = any ? both : set;
            any = true;
        } while (std::prev_permutation(chosen.begin(), chosen.end()));
        if (any) return in_all;
    }
    return {};
}

} // namespace kitfold::dsp
