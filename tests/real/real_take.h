#pragma once
// Takes made of real drum strokes with known answers, and what the program says of them. The recordings are
// not part of the project: where they are not there, every test of this area says so and counts as skipped.
#include "offline/files.h"
#include "offline/run_program.h"
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

namespace kitfold::test {

using Json = nlohmann::json;

/// Says "skipped" for ctest when the recordings are missing; the test then has nothing to do.
bool no_recordings();

/// One take in a folder of its own. @param words for the take maker: "--kind groove --seed 31 --seconds 30
/// --bpm 100"
class RealTake {
public:
    explicit RealTake(const std::string& words);
    [[nodiscard]] std::string path(const std::string& file = "") const { return (folder_ / file).string(); }
    [[nodiscard]] const Json& truth() const { return truth_; }
    [[nodiscard]] double rate_hz() const { return truth_.at("rate"); }
    [[nodiscard]] std::vector<std::string> roles() const;
    /// `kitfold new`, then what is changed in session.json.
    void make_session(const std::function<void(nlohmann::ordered_json&)>& change = {}) const;
    /// The session without the mic of a role.
    void leave_out(const std::string& role) const;
    /// `kitfold check --json` with more words; the session is made when there is none. Fails the test when it
    /// ends with neither 0 nor 1.
    [[nodiscard]] Json check(const std::vector<std::string>& more = {}) const;
    /// Samples that were put in before mic `role`, and whether it was turned over.
    [[nodiscard]] double put_late(const std::string& role) const;
    [[nodiscard]] bool put_over(const std::string& role) const;

private:
    [[nodiscard]] const Json& mic(const std::string& role) const;
    Folder folder_;
    Json truth_;
};

struct JudgedPair {
    double delay_ms = 0.0;
    int polarity = 0; ///< +1 same, -1 opposite, 0 not told
};
using PairKey = std::array<std::string, 3>; ///< roles of a and b, drum
/// Pairs of a check that have a delay.
std::map<PairKey, JudgedPair> judged_pairs(const Json& check);

/// Share of the hits of `a` that `b` has too, same drum, within a millisecond once `b` is moved by
/// `earlier_s`; the lesser of both ways round.
double same_hits(const Json& a, const Json& b, double earlier_s = 0.0);

struct StrokeScore {
    int played = 0, missed = 0, found = 0, wrong = 0, late = 0; ///< late: right within 10 ms but not within 3
};
/// Strokes of a drum with a close mic against the take's truth; ghost notes are no strokes to be found here,
/// and none to be wrong about.
StrokeScore score_strokes(const Json& truth, const Json& check, const std::string& drum);

} // namespace kitfold::test
