// check --against: what has changed since another take.
#include "files.h"
#include "run_program.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <nlohmann/json.hpp>

using namespace kitfold::test;
using Catch::Matchers::Contains;
using Json = nlohmann::json;

namespace {

std::string demo(const Folder& folder, const std::string& name, const std::string& seconds) {
    const auto take = (folder / name).string();
    if (run_program({"demo", take, "--seconds", seconds, "--mics", "8", "--seed", "5"}).exit_code != 0)
        throw std::runtime_error("no demo");
    return take;
}

template <class Change> void change_mic(const std::string& take, const std::string& file, Change change) {
    const std::filesystem::path path = take + "/" + file;
    SF_INFO info{};
    auto x = read_sound(path, &info);
    change(x);
    write_sound(path, x, info.format, info.samplerate);
}

Json against(const std::string& take, const std::string& other) {
    const auto run = run_program({"check", take, "--against", other, "--json"});
    if (!run.err.empty()) throw std::runtime_error(run.err);
    return Json::parse(run.out)["against"];
}

} // namespace

TEST_CASE("a take against itself has nothing to tell", "[against][program]") {
    const Folder folder;
    const auto take = demo(folder, "take", "40");
    const auto found = against(take, take);
    CHECK(found["compared"].get<int>() > 30);
    CHECK(found["changed"].empty());
    CHECK(found["notices"].empty());
}

TEST_CASE("a mic that was turned down and one that was delayed are what has changed", "[against][program]") {
    const Folder folder;
    const auto before = demo(folder, "before", "40"), after = demo(folder, "after", "40");
    change_mic(after, "rack_tom.wav", [](auto& x) {
        for (auto& v : x) v *= float(std::pow(10.0, -6.0 / 20.0));
    });
    change_mic(after, "overhead_left.wav", [](auto& x) {
        std::rotate(x.rbegin(), x.rbegin() + 48, x.rend()); // 1 ms: 34 cm
    });
    const auto found = against(after, before);
    REQUIRE(!found["changed"].empty());
    bool level = false;
    int delays = 0;
    for (const auto& f : found["changed"]) {
        const std::string what = f["what"];
        const double change = f["now"].get<double>() - f["then"].get<double>();
        INFO(f.dump());
        if (f["kind"] == "level" && what == "Rack tom") {
            level = true;
            CHECK(change == Approx(-6.0).epsilon(0).margin(0.3));
        }
        CHECK(f["kind"] != "delay"); // all pairs of that mic changed alike: said once
        if (f["kind"] == "mic_delay") {
            ++delays;
            CHECK(what == "Overhead left");
            CHECK(change == Approx(1.0).epsilon(0).margin(0.05));
        }
        if (f["kind"] != "level") // what changed is of these two mics
            CHECK((what.find("Rack tom") != std::string::npos || what.find("rack tom") != std::string::npos ||
                   what.find("Overhead left") != std::string::npos));
    }
    CHECK(level);
    CHECK(delays == 1);
    const auto report = (folder / "r.html").string();
    const auto run = run_program({"check", after, "--against", before, "--report", report});
    CHECK_THAT(run.out, Contains("Against " + before) &&
                            Contains("Rack tom, level against the other mics: -") &&
                            Contains("Overhead left hears the kit 1.0"));
    CHECK_THAT(bytes_of_file(report),
               Contains("<section id=\"against\">") && Contains("ms later than in that take"));
    CHECK_THAT(run_program({"check", before, "--against", after}).out,
               Contains("Overhead left hears the kit 1.0") && Contains("ms sooner than in that take"));
}

TEST_CASE("a take that is not there is refused before anything is done", "[against][program]") {
    const Folder folder;
    const auto take = demo(folder, "take", "0.3");
    const auto run = run_program({"check", take, "--against", (folder / "none").string()});
    CHECK((run.exit_code == 2 && run.err_lines() == 1));
}
