#include "offline/demo/demo.h"
#include "offline/files.h"
#include "offline/live/soundcheck.h"
#include "offline/session/session.h"
#include <catch2/catch.hpp>
#include <map>
#include <nlohmann/json.hpp>

using namespace kitfold;
using namespace kitfold::offline;
using namespace kitfold::test;

TEST_CASE("a soundcheck knows what the simulator did: strokes, arrival, a turned cable",
          "[live][soundcheck]") {
    const Folder folder;
    DemoRequest request;
    request.folder = folder.path();
    request.kit.seconds = 20.0, request.kit.turned_cable = true;
    write_demo(request);
    const auto truth = dsp::Json::parse(bytes_of_file(folder / "truth.json"));
    std::size_t kicks = 0;
    for (const auto& hit : truth["hits"]) kicks += hit["drum"] == "kick" ? 1u : 0u;
    std::map<std::string, dsp::Json> kick; // paths by mic
    for (const auto& path : truth["paths"])
        if (path["drum"] == "kick") kick[path["mic"]] = path;
    const auto &in = kick["Kick in"], &out = kick["Kick out"];
    const double later_ms = out["delay_ms"].get<double>() - in["delay_ms"].get<double>();
    const auto result = check(load_session(folder.path()));
    const auto soundcheck = soundcheck_of(result);
    REQUIRE(soundcheck.mics.size() == result.mics.size());
    CHECK(soundcheck.strokes.front().second == kicks);
    CHECK(soundcheck.mics[0].strokes.value_or(0) == kicks);
    const auto& kick_out = soundcheck.mics[1].arrival;
    REQUIRE(kick_out);
    CHECK(kick_out->partner == "Kick in");
    CHECK(kick_out->delay_ms == Approx(later_ms).epsilon(0).margin(6.0 / 48.0)); // six samples
    CHECK(kick_out->opposite == (in["polarity"] != out["polarity"]));
    CHECK(soundcheck.mics[0].arrival->delay_ms == -kick_out->delay_ms);
}
