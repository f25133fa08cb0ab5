#include "real_take.h"
#include <catch2/catch.hpp>
#include <cstdio>
#include <cstdlib>
#include <fstream>

namespace kitfold::test {

namespace {

namespace fs = std::filesystem;

Json read_json(const fs::path& path) {
    std::ifstream in(path);
    return Json::parse(in);
}

} // namespace

bool no_recordings() {
    if (fs::exists(fs::path(KITFOLD_REAL_HITS) / "make_take")) return false;
    WARN("skipped: no recordings of real drums at " KITFOLD_REAL_HITS);
    std::puts("skipped: no recordings of real drums at " KITFOLD_REAL_HITS);
    return true;
}

RealTake::RealTake(const std::string& words) {
    const auto maker = (fs::path(KITFOLD_REAL_HITS) / "make_take").string();
    const auto line = "'" + maker + "' '" + path() + "' " + words + " >/dev/null";
    INFO(line);
    REQUIRE(std::system(line.c_str()) == 0);
    truth_ = read_json(folder_ / "truth.json");
}

std::vector<std::string> RealTake::roles() const {
    std::vector<std::string> out;
    for (const auto& m : truth_.at("mics")) out.push_back(m.at("role"));
    return out;
}

void RealTake::make_session(const std::function<void(nlohmann::ordered_json&)>& change) const {
    fs::remove(path("session.json"));
    const auto made = run_program({"new", path()});
    INFO(made.err);
    REQUIRE(made.exit_code == 0);
    if (!change) return;
    std::ifstream in(path("session.json"));
    auto session = nlohmann::ordered_json::parse(in);
    change(session);
    std::ofstream(path("session.json")) << session.dump(2);
}

void RealTake::leave_out(const std::string& role) const {
    make_session([&](auto& session) {
        auto& mics = session["mics"];
        for (auto m = mics.begin(); m != mics.end(); ++m)
            if ((*m)["role"] == role) {
                mics.erase(m);
                break;
            }
    });
}

Json RealTake::check(const std::vector<std::string>& more) const {
    if (!fs::exists(path("session.json"))) make_session();
    std::vector<std::string> words{"check", path(), "--json"};
    words.insert(words.end(), more.begin(), more.end());
    const auto run = run_program(words);
    INFO(run.err);
    REQUIRE((run.exit_code == 0 || run.exit_code == 1));
    return Json::parse(run.out);
}

const Json& RealTake::mic(const std::string& role) const {
    for (const auto& m : truth_.at("mics"))
        if (m.at("role") == role) return m;
    throw std::out_of_range(role);
}

double RealTake::put_late(const std::string& role) const { return mic(role).at("delay_put_in_samples"); }
bool RealTake::put_over(const std::string& role) const { return mic(role).at("flipped"); }

std::map<PairKey, JudgedPair> judged_pairs(const Json& check) {
    std::map<std::string, std::string> role;
    for (const auto& m : check.at("mics")) role[m.at("name")] = m.at("role");
    std::map<PairKey, JudgedPair> out;
    for (const auto& p : check.at("pairs")) {
        if (p.at("delay_ms").is_null()) continue;
        const auto polarity = p.value("polarity", Json());
        out[{role.at(p.at("a")), role.at(p.at("b")), p.at("drum")}] = {p.at("delay_ms"),
                                                                       polarity == "same"       ? 1
                                                                       : polarity == "opposite" ? -1
                                                                                                : 0};
    }
    return out;
}

namespace {

std::size_t found_again(const Json& a, const Json& b, double earlier_s) {
    std::vector<bool> used(b.size());
    std::size_t same = 0;
    for (const auto& x : a)
        for (std::size_t i = 0; i < b.size(); ++i)
            if (!used[i] && b[i].at("drum") == x.at("drum") &&
                std::abs(double(b[i].at("time_s")) - earlier_s - double(x.at("time_s"))) <= 1e-3) {
                used[i] = true, ++same;
                break;
            }
    return same;
}

} // namespace

double same_hits(const Json& a, const Json& b, double earlier_s) {
    const auto &x = a.at("hits"), &y = b.at("hits");
    const auto most = std::max(x.size(), y.size());
    return most == 0 ? 1.0 : double(found_again(x, y, earlier_s)) / double(most);
}

StrokeScore score_strokes(const Json& truth, const Json& check, const std::string& drum) {
    StrokeScore s;
    std::vector<double> found, ghosts;
    for (const auto& h : check.at("hits"))
        if (h.at("drum") == drum) found.push_back(h.at("time_s"));
    std::vector<bool> used(found.size());
    const auto nearest = [&](double at) -> std::optional<std::size_t> {
        std::optional<std::size_t> best;
        for (std::size_t i = 0; i < found.size(); ++i)
            if (!used[i] && std::abs(found[i] - at) <= 0.010 &&
                (!best || std::abs(found[i] - at) < std::abs(found[*best] - at)))
                best = i;
        return best;
    };
    for (const auto& h : truth.at("hits")) {
        if (h.at("drum") != drum) continue;
        if (h.at("articulation") == "snare_soft") {
            ghosts.push_back(h.at("time_s"));
            continue;
        }
        ++s.played;
        if (const auto i = nearest(h.at("time_s")))
            used[*i] = true, s.late += std::abs(found[*i] - double(h.at("time_s"))) > 0.003 ? 1 : 0;
        else
            ++s.missed;
    }
    for (const double at : ghosts)
        if (const auto i = nearest(at)) used[*i] = true, --s.found;
    s.found += int(found.size());
    s.wrong = int(std::count(used.begin(), used.end(), false));
    return s;
}

} // namespace kitfold::test
