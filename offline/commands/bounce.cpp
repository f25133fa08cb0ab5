#include "offline/bounce/bounce.h"
#include "offline/bounce/recall_sheet.h"
#include "offline/commands/commands.h"
#include "offline/commands/print.h"
#include "offline/util/progress.h"
#include <nlohmann/json.hpp>

namespace kitfold::offline {

Exit bounce_command(const BounceOptions& options) {
    BounceRequest request{
        .session = load_session(options.session), .output = options.output, .stems = {}, .rate_hz = {}};
    auto& range = request.session.range;
    range = read_range(options.range.from, options.range.to, range);
    if (!options.stems.empty()) request.stems = options.stems;
    request.dry_stems = options.dry_stems, request.force = options.force;
    if (options.rate_hz != 0) request.rate_hz = options.rate_hz;
    BounceFigures figures;
    std::string missed;
    if (options.loudness_lufs || options.peak_dbtp) {
        auto plain = request.session;
        plain.output.level_db = 0.0;
        OutputWish wish{options.loudness_lufs};
        if (options.peak_dbtp) wish.peak_dbtp = *options.peak_dbtp;
        Progress progress("measure");
        const auto submix =
            measure_submix(plain, request.rate_hz, {}, [&](double share) { progress.show(share); });
        missed = fit_output(request.session, wish, submix);
    }
    {
        Progress progress("bounce");
        figures = bounce(request, [&](double share) { progress.show(share); });
    }
    if (!missed.empty()) figures.notices.push_back("Output: " + missed);
    if (options.json)
        print_json(bounce_json(request, figures), Answer::about_files);
    else
        print(bounce_text(request, figures), Answer::about_files);
    return Exit::done;
}

} // namespace kitfold::offline
